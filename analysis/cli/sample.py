"""The command `pullcoast sample`: a made-up session of known truth to try the others on."""

from __future__ import annotations

import contextlib
import json
import os
import re
import shlex
import shutil
import tempfile
from pathlib import Path
from typing import Annotated

from analysis.terminal.command_line import Command, new_app
from analysis.terminal.errors import EXIT_INPUT, EXIT_OK, complain
from analysis.terminal.options import CAUTIONS, Quiet, argument, flag, option, percent, rate, whole
from analysis.terminal.output import OutputError, check_writable
from logger.source import read_regular

__all__ = ["app", "sample"]

_TRUTH = "truth.json"
_LARGEST_TRUTH_BYTES = 10_000_000
_STAGING = ".pullcoast-sample-"
_DAY = re.compile(r"day[1-9]\d?")

_DESCRIPTION = f"""\
Write a made-up session of known truth, to try the other commands on.

DIR must be new or empty, or an earlier sample, which is then replaced. With --days it holds one
session a day (day1, day2, ...) and nothing else: a rehearsal of a comparison of before and after.

{CAUTIONS}"""

_EXAMPLES = """\
examples:
  pullcoast sample airfield
  pullcoast sample rough --phone rough --pairs 2 --seed 7
  pullcoast sample oneway --one-way --gps-hz 10
  pullcoast sample rehearsal --days 4 --gain 4% --same-vehicle"""

_DAYS = "several days"

app = new_app()


@app.command(cls=Command, help=_DESCRIPTION, epilog=_EXAMPLES)
def sample(
    folder: Annotated[str, argument("DIR", "new, empty, or an earlier sample")],
    quiet: Quiet = False,
    seed: Annotated[
        int, option("--seed", "N", "which one (default: 1)", parser=whole(0, 2**32 - 1))
    ] = 1,
    pairs: Annotated[
        int, option("--pairs", "N", "two-way pairs (default: 4)", parser=whole(1, 50))
    ] = 4,
    phone: Annotated[
        str,
        option(
            "--phone",
            "{clean,rough,gps-only}",
            "how good the phone is (default: clean)",
            words=("clean", "rough", "gps-only"),
        ),
    ] = "clean",
    gps_hz: Annotated[
        float,
        option("--gps-hz", "N", "GPS fixes a second (default: 1)", parser=rate(0.2, 100)),
    ] = 1.0,
    one_way: Annotated[bool, flag("--one-way", "all runs in one direction")] = False,
    days: Annotated[
        int | None,
        option("--days", "N", "that many sessions, a week apart", parser=whole(1, 50), group=_DAYS),
    ] = None,
    same_vehicle: Annotated[
        bool,
        flag("--same-vehicle", "one vehicle and road, changed on every second day", group=_DAYS),
    ] = False,
    gain: Annotated[
        float | None,
        option(
            "--gain",
            "P",
            "what the change adds to the torque: 4%, -2% (default: 0%)",
            parser=percent(-50, 100),
            group=_DAYS,
        ),
    ] = None,
    vehicle_seed: Annotated[
        int | None,
        option(
            "--vehicle-seed",
            "N",
            "which vehicle and road; --seed is then weather and noise (default: as --seed)",
            parser=whole(0, 2**32 - 1),
            group=_DAYS,
        ),
    ] = None,
    as_json: Annotated[bool, flag("--json", "for programs: what was made")] = False,
) -> int:
    """Run ``pullcoast sample`` and return the exit status.

    What is made lies in a staging folder and moves into place at the end, so that an interrupted
    run leaves an earlier sample as it was.

    Raises
    ------
    OutputError
        The folder holds something else than an earlier sample, or cannot be written to.
    """
    if (gain is not None or vehicle_seed is not None) and not same_vehicle:
        complain("--gain and --vehicle-seed are of one vehicle on several days: add --same-vehicle")
        return EXIT_INPUT
    if same_vehicle and days is None:
        complain("--same-vehicle needs the number of days, for example --days 4")
        return EXIT_INPUT
    if same_vehicle and vehicle_seed is None:
        vehicle_seed = seed
    place = Path(folder)
    earlier = _earlier_files(place)
    check_writable(place)
    from analysis.simulate.days import simulate_days

    new = not place.exists()
    names = [""] if days is None else [f"day{number}" for number in range(1, days + 1)]
    try:
        place.mkdir(parents=True, exist_ok=True)
        staging = Path(tempfile.mkdtemp(prefix=_STAGING, dir=place))
        try:
            truths = simulate_days(
                [staging / name for name in names],
                seed=seed,
                vehicle_seed=vehicle_seed,
                gain=gain or 0.0,
                pairs=pairs,
                phone=phone,  # type: ignore[arg-type]  # `words` knows no other
                gps_hz=gps_hz,
                one_way=one_way,
            )
            _move(staging, place, names, earlier)
            new = False
        finally:
            shutil.rmtree(staging, ignore_errors=True)
            if new:
                place.rmdir()
    except OSError as error:
        msg = f"{place}: cannot write the sample: {error.strerror or error}"
        raise OutputError(msg) from error
    if as_json:
        found = [
            {
                "folder": str(place / name),
                "runs": len(truth.runs),
                "truth": str(place / name / _TRUTH),
            }
            for name, truth in zip(names, truths, strict=True)
        ]
        print(json.dumps(found[0] if days is None else {"days": found}, indent=1))
        return EXIT_OK
    for name, truth in zip(names, truths, strict=True):
        power = truth.peak_wheel_power_w
        known = "" if power is None else f" (peak wheel power {power / 1000:.1f} kW, and more)"
        print(
            f"A made-up session of {len(truth.runs)} runs lies in {place / name}.\n"
            f"Its truth{known} is in {place / name / _TRUTH}."
        )
    what = "compare" if same_vehicle and len(names) > 1 else "report"
    folders = " ".join(shlex.quote(str(place / name)) for name in names)
    print(f"Next: pullcoast {what} {folders}")
    return EXIT_OK


def _move(staging: Path, place: Path, names: list[str], earlier: set[Path]) -> None:
    """Move what was made into place, then remove what an earlier sample had beside it."""
    made = set()
    for name in names:
        (place / name).mkdir(exist_ok=True)
        for path in sorted((staging / name).iterdir()):
            os.replace(path, place / name / path.name)
            made.add(place / name / path.name)
    for path in earlier - made:
        path.unlink(missing_ok=True)
    for folder in {path.parent for path in earlier - made} - {place}:
        with contextlib.suppress(OSError):  # it holds results
            folder.rmdir()


def _earlier_files(folder: Path) -> set[Path]:
    """Return the files of an earlier sample in `folder`; none when it is new or empty."""
    if not folder.exists():
        return set()
    if not folder.is_dir():
        msg = f"{folder}: is a file; expected a new or empty folder. Choose another DIR"
        raise OutputError(msg)
    own: set[Path] = set()
    strangers: list[str] = []
    of_days = [path for path in folder.iterdir() if _DAY.fullmatch(path.name) and path.is_dir()]
    for place in (folder, *of_days):
        listed = _listed(place / _TRUTH)
        for path in place.iterdir():
            if path.name in listed:
                own.add(path)
            elif not (
                path in of_days
                or path.name.startswith(_STAGING)
                or (path.name == "results" and (listed or place != folder))
            ):
                strangers.append(str(path.relative_to(folder)))
    if strangers:
        strangers.sort()
        what = f"holds {', '.join(strangers[:5])}{', ...' if len(strangers) > 5 else ''}"
        msg = (
            f"{folder}: {what}, which no earlier sample of pullcoast put there; nothing was "
            "changed. Choose a new or empty folder"
        )
        raise OutputError(msg)
    return own


def _listed(truth: Path) -> set[str]:
    """Return the names of the files that an earlier sample's truth.json speaks for."""
    try:
        stated = json.loads(read_regular(truth, _LARGEST_TRUTH_BYTES) or b"")
        logs = [name for log in stated["logs"] for name in log["files"]]
        return {"session.toml", _TRUTH, *logs} if "seed" in stated else set()
    except (OSError, ValueError, KeyError, TypeError):
        return set()
