"""The command `pullcoast sample`: a made-up session of known truth to try the others on."""

from __future__ import annotations

import json
import os
import shlex
import shutil
import tempfile
from pathlib import Path
from typing import Annotated

from analysis.terminal.command_line import Command, new_app
from analysis.terminal.errors import EXIT_OK
from analysis.terminal.options import CAUTIONS, Quiet, argument, flag, option, rate, whole
from analysis.terminal.output import OutputError, check_writable
from logger.source import read_regular

__all__ = ["app", "sample"]

_TRUTH = "truth.json"
_LARGEST_TRUTH_BYTES = 10_000_000
_STAGING = ".pullcoast-sample-"

_DESCRIPTION = f"""\
Write a made-up session of known truth, to try the other commands on.

DIR must be new or empty, or an earlier sample, which is then replaced.

{CAUTIONS}"""

_EXAMPLES = """\
examples:
  pullcoast sample airfield
  pullcoast sample rough --phone rough --pairs 2 --seed 7
  pullcoast sample oneway --one-way --gps-hz 10"""

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
    as_json: Annotated[bool, flag("--json", "for programs: what was made")] = False,
) -> int:
    """Run ``pullcoast sample`` and return the exit status.

    The session is made in a staging folder and moved into place at the end, so that an interrupted
    run leaves an earlier sample as it was.

    Raises
    ------
    OutputError
        The folder holds something else than an earlier sample, or cannot be written to.
    """
    place = Path(folder)
    earlier = _earlier_files(place)
    check_writable(place)
    from analysis.simulate.session import simulate_session

    new = not place.exists()
    try:
        place.mkdir(parents=True, exist_ok=True)
        staging = Path(tempfile.mkdtemp(prefix=_STAGING, dir=place))
        try:
            truth = simulate_session(
                staging,
                seed=seed,
                pairs=pairs,
                phone=phone,  # type: ignore[arg-type]  # `choice` knows no other
                gps_hz=gps_hz,
                one_way=one_way,
            )
            made = sorted(path.name for path in staging.iterdir())
            for name in made:
                os.replace(staging / name, place / name)
            for name in earlier - set(made):
                (place / name).unlink(missing_ok=True)
            new = False
        finally:
            shutil.rmtree(staging, ignore_errors=True)
            if new:
                place.rmdir()
    except OSError as error:
        msg = f"{place}: cannot write the sample: {error.strerror or error}"
        raise OutputError(msg) from error
    if as_json:
        answer = {"folder": str(place), "runs": len(truth.runs), "truth": str(place / _TRUTH)}
        print(json.dumps(answer, indent=1))
        return EXIT_OK
    power = truth.peak_wheel_power_w
    known = "" if power is None else f" (peak wheel power {power / 1000:.1f} kW, and more)"
    print(
        f"A made-up session of {len(truth.runs)} runs lies in {place}.\n"
        f"Its truth{known} is in {place / _TRUTH}.\n"
        f"Next: pullcoast report {shlex.quote(str(place))}"
    )
    return EXIT_OK


def _earlier_files(folder: Path) -> set[str]:
    """Return the files of an earlier sample in `folder`; none when it is new or empty."""
    if not folder.exists():
        return set()
    if not folder.is_dir():
        msg = f"{folder}: is a file; expected a new or empty folder. Choose another DIR"
        raise OutputError(msg)
    found = {path.name for path in folder.iterdir() if not path.name.startswith(_STAGING)}
    if not found:
        return set()
    own = _listed(folder / _TRUTH)
    strangers = sorted(found - own - {"results"})
    if not own or strangers:
        what = f"holds {', '.join(strangers[:5])}{', ...' if len(strangers) > 5 else ''}"
        msg = (
            f"{folder}: {what}, which no earlier sample of pullcoast put there; nothing was "
            "changed. Choose a new or empty folder"
        )
        raise OutputError(msg)
    return own & found


def _listed(truth: Path) -> set[str]:
    """Return the names of the files that an earlier sample's truth.json speaks for."""
    try:
        stated = json.loads(read_regular(truth, _LARGEST_TRUTH_BYTES) or b"")
        logs = [name for log in stated["logs"] for name in log["files"]]
        return {"session.toml", _TRUTH, *logs} if "seed" in stated else set()
    except (OSError, ValueError, KeyError, TypeError):
        return set()
