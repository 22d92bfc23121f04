"""One session of a batch: worked out, or taken from an earlier batch where nothing has changed.

The folder of a session's results ends with `batch.json`, which is written last: it holds a digest of
everything that the results follow from, and of the results. As long as all of that fits, nothing is
done again; whatever an interruption leaves does not fit.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from analysis.batch.results import analyse_checked
from analysis.pipeline import Analysis
from analysis.report.html import render
from analysis.terminal.errors import EXIT_NOTHING, EXIT_OK, describe
from analysis.terminal.output import OutputError, write_together
from logger.errors import PullcoastError, real_path
from logger.session.files import locate_session
from logger.session.overrides import apply_overrides, open_session
from logger.session.session import Session
from logger.source import MAX_BYTES, read_regular

__all__ = ["MARKER", "Job", "Outcome", "failed", "run_job"]

#: Marks a session's results as whole, and holds what they follow from.
MARKER = "batch.json"
_FORMAT = "pullcoast-batch/1"
_LARGEST_MARKER_BYTES = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One session to work out.

    Parameters
    ----------
    name : str
        What the table calls it: its path below the batch's folder.
    session, folder : str
        Where it lies, and where its results go.
    power, speed : str or None
        Units for people.
    allow_outside : bool
        Whether it may name logs outside its folder.
    dates : bool
        Whether its page has the dates of the outing and of today.
    """

    name: str
    session: str
    folder: str
    power: str | None = None
    speed: str | None = None
    allow_outside: bool = False
    dates: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of a session.

    Parameters
    ----------
    name : str
        As in the job.
    status : int
        Exit status that `pullcoast report` would have.
    message : str
        Why it failed, "" where it did not.
    kept : bool
        Whether an earlier batch had done it.
    figures : dict
        Vehicle and results in SI units, as columns of the table; what is unknown is absent.
    """

    name: str
    status: int
    message: str = ""
    kept: bool = False
    figures: dict[str, str | float | int] = field(default_factory=dict)


def run_job(job: Job) -> Outcome:
    """Work out one session and write its results, or take those of an earlier batch.

    Parameters
    ----------
    job : Job
        The session.

    Returns
    -------
    Outcome
        Also of a session that fails, for whatever reason; only Ctrl-C is passed on.
    """
    folder = Path(job.folder)
    session: Session | None = None
    key = ""
    try:
        key = _key(job)
        kept = _kept(folder, key, job.name)
        if kept is not None:
            return kept
        session = apply_overrides(
            open_session(Path(job.session), allow_outside=job.allow_outside),
            power=job.power,
            speed=job.speed,
        )
        files, figures = _worked_out(session, dates=job.dates)
        outcome = Outcome(name=job.name, status=EXIT_OK, figures=figures)
        write_together(folder, {**files, MARKER: _marker(key, outcome, files)})
    except Exception as error:  # noqa: BLE001 - one session must not stop the others
        texts, status = describe(error)
        figures = {} if session is None else _of_vehicle(session)
        outcome = Outcome(name=job.name, status=status, message="; ".join(texts), figures=figures)
        # what the logs are to blame for will be so again; a full disk or memory will not
        if key and isinstance(error, PullcoastError) and not isinstance(error, OutputError):
            _write_failure(folder, key, outcome)
    return outcome


def _worked_out(
    session: Session, *, dates: bool
) -> tuple[dict[str, str], dict[str, str | float | int]]:
    """Return a session's result files and its row of the table."""
    outcome, timed = analyse_checked(session, quiet=True)
    files = render(outcome, crosscheck=timed, dates=dates)
    return files, {**_of_vehicle(session), **_of_results(outcome)}


def _of_vehicle(session: Session) -> dict[str, str | float | int]:
    vehicle = session.vehicle
    return {
        "vehicle": vehicle.name,
        "kind": vehicle.kind,
        "state": vehicle.state,
        "mass_kg": vehicle.mass_kg,
        "mass_sd_kg": vehicle.mass_sd_kg,
    }


def _of_results(outcome: Analysis) -> dict[str, str | float | int]:
    directions = [run.direction for run in outcome.used_runs]
    row: dict[str, str | float | int] = {
        "trust": outcome.verdict.trust.level,
        "density_kg_m3": outcome.air.density_kg_m3,
        "runs_up": directions.count(1),
        "runs_down": directions.count(-1),
        "warnings": sum(finding.severity != "note" for finding in outcome.findings),
    }
    power, load = outcome.power, outcome.road_load
    if power is not None:
        row |= {
            "peak_W": power.peak_w,
            "peak_sd_W": power.peak_sd_w,
            "peak_low95_W": power.peak_ci95_w[0],
            "peak_high95_W": power.peak_ci95_w[1],
            "peak_speed_mps": power.peak_speed_mps,
        }
    if load is not None:
        at = load.headline
        row |= {
            "road_load_speed_mps": at.speed_mps,
            "road_load_N": at.force_n,
            "road_load_sd_N": at.sd_n,
            "road_load_low95_N": at.ci95_n[0],
            "road_load_high95_N": at.ci95_n[1],
        }
        if load.separable:
            row |= {
                "F0_N": load.f0_n,
                "F1_N_per_mps": load.f1_n_per_mps,
                "F2_N_per_mps2": load.f2_n_per_mps2,
            }
    return {
        name: value if isinstance(value, str | int) else float(value) for name, value in row.items()
    }


# --- what has been done already ----------------------------------------------------------------


def _key(job: Job) -> str:
    """Return a digest of all that a session's results follow from."""
    digest = hashlib.sha256()
    for text in (_FORMAT, _code_digest(), job.power, job.speed, job.allow_outside, job.dates):
        digest.update(f"{text}\0".encode())
    folder, file = locate_session(Path(job.session))
    paths = [path for path in (file,) if path is not None]
    try:
        opened = open_session(Path(job.session), allow_outside=job.allow_outside)
        paths += [path for entry in opened.logs for path in entry.files]
    except PullcoastError:
        # it will fail; what could change that lies in the folder
        names = sorted(path.name for path in folder.iterdir())
        digest.update(json.dumps(names).encode("utf-8", "surrogateescape"))
    root = real_path(folder)
    for path in paths:
        try:
            place = str(real_path(path).relative_to(root))
        except ValueError:
            place = path.name
        digest.update(f"{place}\0".encode("utf-8", "surrogateescape"))
        if not path.is_file() or path.stat().st_size > MAX_BYTES:
            continue  # it will be refused unread
        with path.open("rb") as handle:
            digest.update(hashlib.file_digest(handle, "sha256").digest())
    return digest.hexdigest()


@cache
def _code_digest() -> str:
    """Return a digest of pullcoast itself and of the versions it computes with."""
    digest = hashlib.sha256()
    root = Path(__file__).parents[2]
    files = [
        path
        for folder in ("analysis", "logger")
        for pattern in ("*.py", "*.json", "*.html", "*.txt")
        for path in (root / folder).rglob(pattern)
    ]
    for path in sorted(files):
        digest.update(f"{path.relative_to(root).as_posix()}\0".encode())
        digest.update(hashlib.sha256(path.read_bytes()).digest())
    for package in ("numpy", "scipy", "matplotlib", "jinja2"):
        with contextlib.suppress(PackageNotFoundError):
            digest.update(f"{package} {version(package)}\0".encode())
    return digest.hexdigest()


def _marker(key: str, outcome: Outcome, files: Mapping[str, str]) -> str:
    content: dict[str, Any] = {
        "format": _FORMAT,
        "key": key,
        "outcome": {k: v for k, v in asdict(outcome).items() if k not in ("name", "kept")},
        "files": {name: _digest_of(text) for name, text in files.items()},
    }
    return json.dumps(content, indent=1, allow_nan=False) + "\n"


def _digest_of(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "backslashreplace")).hexdigest()


def _read_marker(folder: Path) -> dict[str, Any]:
    """Return what an earlier batch left in a folder; empty where it is nothing that can be used."""
    try:
        marker = json.loads(read_regular(folder / MARKER, _LARGEST_MARKER_BYTES) or b"")
    except (OSError, ValueError, RecursionError):
        return {}
    usable = isinstance(marker, dict) and marker.get("format") == _FORMAT
    return marker if usable and isinstance(marker.get("files"), dict) else {}


def _kept(folder: Path, key: str, name: str) -> Outcome | None:
    """Return the outcome of an earlier batch where it still holds and its files are whole."""
    marker = _read_marker(folder)
    if marker.get("key") != key:
        return None
    try:
        for file, digest in marker["files"].items():
            with (folder / file).open("rb") as handle:
                if hashlib.file_digest(handle, "sha256").hexdigest() != digest:
                    return None
        return Outcome(name=name, kept=True, **marker["outcome"])
    except (OSError, TypeError):
        return None


def _write_failure(folder: Path, key: str, outcome: Outcome) -> None:
    """Keep why a session failed, and take away results of an earlier state of it."""
    earlier = _read_marker(folder).get("files", {})
    # a place that cannot be written to only means that the session is tried again next time
    with contextlib.suppress(OutputError, OSError):
        write_together(folder, {MARKER: _marker(key, outcome, {})})
        for name in earlier:
            if "/" not in name:
                (folder / name).unlink(missing_ok=True)


def failed(job: Job, message: str) -> Outcome:
    """Return the outcome of a session whose process came to an end before it was done."""
    return Outcome(name=job.name, status=EXIT_NOTHING, message=message)
