"""One session of a world judged: simulated, analysed as a user's folder, compared with its truth."""

from __future__ import annotations

import hashlib
import tempfile
import time
import traceback
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from named_worlds import WORLDS
from numpy.typing import NDArray
from true_sessions import simulate
from worlds_oracle import oracle

from analysis.pipeline import analyse
from logger.errors import PullcoastError
from logger.reading import read_log
from logger.session.session import read_session

__all__ = ["SPEEDS_KMH", "Row", "judged", "program"]

Floats = NDArray[np.float64]

#: Speeds at which road loads are compared, where coast-downs covered them [km/h].
SPEEDS_KMH = (50.0, 72.0, 100.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One session; errors and sd relative to the truth, None where nothing is said or covered.

    Parameters
    ----------
    world, seed, program : str, int, str
        Which session, judged by which state of the program and of the worlds.
    load_error, load_sd, load_oracle : tuple of 3
        At `SPEEDS_KMH`.
    peak_error, peak_sd, peak_oracle : float or None
        Of the peak wheel power.
    peak_inside : bool or None
        Whether its 95 % interval holds the truth.
    gears, true_gears : int
        Found and driven.
    failure : str
        Why there is no result; empty when there is one.
    seconds : float
        Processor time of reading and analysis [s].
    """

    world: str
    seed: int
    program: str
    load_error: tuple[float | None, ...] = (None, None, None)
    load_sd: tuple[float | None, ...] = (None, None, None)
    load_oracle: tuple[float | None, ...] = (None, None, None)
    peak_error: float | None = None
    peak_sd: float | None = None
    peak_oracle: float | None = None
    peak_inside: bool | None = None
    gears: int = 0
    true_gears: int = 0
    failure: str = ""
    seconds: float = 0.0

    def as_dict(self) -> dict[str, Any]:
        """Return what `json` can write; `of_dict` takes it back."""
        return asdict(self)

    @classmethod
    def of_dict(cls, fields: dict[str, Any]) -> Row:
        """Return the row of what `as_dict` gave, read back from JSON or not."""
        lists = {key: tuple(one) for key, one in fields.items() if isinstance(one, list)}
        return cls(**(fields | lists))


def program() -> str:
    """Return a digest of everything that a row depends on: the program, the worlds, the oracle."""
    here = Path(__file__).resolve().parent
    root = here.parents[1]
    files = [*root.glob("analysis/**/*.py"), *root.glob("logger/**/*.py")]
    files += [*root.glob("tests/truth/*.py"), here / "worlds_scores.py", here / "worlds_oracle.py"]
    digest = hashlib.sha256()
    for file in sorted(files):
        digest.update(str(file.relative_to(root)).encode())
        digest.update(file.read_bytes())
    return digest.hexdigest()[:16]


def judged(job: tuple[str, int, str]) -> Row:
    """Simulate one session, analyse its folder as a user's, and compare with the truth.

    Parameters
    ----------
    job : (world, seed, program)
        As in `Row`.

    Returns
    -------
    Row
        A refusal or an exception becomes a row, not an end.
    """
    name, seed, state = job
    with tempfile.TemporaryDirectory(prefix="pullcoast_worlds_") as folder:
        place = Path(folder) / "session"
        truth = simulate(WORLDS[name], seed, place)
        speeds = np.array(SPEEDS_KMH) / 3.6
        covered = [truth.covered(float(speed)) for speed in speeds]
        best = oracle(truth, speeds, np.random.default_rng([seed, 9]))
        kept = Row(
            world=name,
            seed=seed,
            program=state,
            load_oracle=_where(covered, best.load_error),
            peak_oracle=best.peak_error,
            true_gears=len(truth.power),
        )
        start_s = time.process_time()
        try:
            session = read_session(place)
            logs = tuple(read_log(entry.files, columns=entry.columns) for entry in session.logs)
            outcome = analyse(session, logs)
        except PullcoastError as error:
            return _failed(kept, str(error).partition("\n")[0])
        except Exception as error:  # noqa: BLE001
            last = traceback.extract_tb(error.__traceback__)[-1]
            where = f"{Path(last.filename).name}:{last.lineno}"
            return _failed(kept, f"{type(error).__name__} at {where}: {error}")
        seconds = time.process_time() - start_s
    load, power = outcome.road_load, outcome.power
    if load is None:
        return _failed(kept, "no road load")
    true = truth.force_n(speeds)
    fields = kept.as_dict() | {
        "load_error": _where(covered, load.force_n(speeds) / true - 1.0),
        "load_sd": _where(covered, load.force_sd_n(speeds) / true),
        "seconds": seconds,
    }
    if power is None or power.peak_w is None:
        fields["failure"] = "no peak wheel power"
    else:
        low, high = power.peak_ci95_w
        fields |= {
            "peak_error": power.peak_w / truth.peak_w - 1.0,
            "peak_sd": power.peak_sd_w / truth.peak_w,
            "peak_inside": bool(low <= truth.peak_w <= high),
            "gears": len(power.gears),
        }
    return Row.of_dict(fields)


def _where(covered: Sequence[bool], values: Sequence[float] | Floats) -> tuple[float | None, ...]:
    return tuple(
        float(value) if held else None for held, value in zip(covered, values, strict=True)
    )


def _failed(kept: Row, why: str) -> Row:
    return replace(kept, failure=why)
