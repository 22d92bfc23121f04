"""The command `pullcoast sample`: a made-up session of known truth to try the others on."""

from __future__ import annotations

import argparse
import json
import os
import shlex
import shutil
import tempfile
from pathlib import Path

from analysis.terminal.errors import EXIT_OK
from analysis.terminal.output import OutputError, check_writable

__all__ = ["sample"]

_TRUTH = "truth.json"
_STAGING = ".pullcoast-sample-"


def sample(arguments: argparse.Namespace) -> int:
    """Run ``pullcoast sample`` and return the exit status.

    The session is made in a staging folder and moved into place at the end, so that an interrupted
    run leaves an earlier sample as it was.

    Raises
    ------
    OutputError
        The folder holds something else than an earlier sample, or cannot be written to.
    """
    folder = Path(arguments.folder)
    earlier = _earlier_files(folder)
    check_writable(folder)
    from analysis.simulate.session import simulate_session

    new = not folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        staging = Path(tempfile.mkdtemp(prefix=_STAGING, dir=folder))
        try:
            truth = simulate_session(
                staging,
                seed=arguments.seed,
                pairs=arguments.pairs,
                phone=arguments.phone,
                gps_hz=arguments.gps_hz,
                one_way=arguments.one_way,
            )
            made = sorted(path.name for path in staging.iterdir())
            for name in made:
                os.replace(staging / name, folder / name)
            for name in earlier - set(made):
                (folder / name).unlink(missing_ok=True)
            new = False
        finally:
            shutil.rmtree(staging, ignore_errors=True)
            if new:
                folder.rmdir()
    except OSError as error:
        msg = f"{folder}: cannot write the sample: {error.strerror or error}"
        raise OutputError(msg) from error
    if arguments.json:
        told = {"folder": str(folder), "runs": len(truth.runs), "truth": str(folder / _TRUTH)}
        print(json.dumps(told, indent=1))
        return EXIT_OK
    power = truth.peak_wheel_power_w
    known = "" if power is None else f" (peak wheel power {power / 1000:.1f} kW, and more)"
    print(
        f"A made-up session of {len(truth.runs)} runs lies in {folder}.\n"
        f"Its truth{known} is in {folder / _TRUTH}.\n"
        f"Next: pullcoast report {shlex.quote(str(folder))}"
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
        stated = json.loads(truth.read_text(encoding="utf-8"))
        logs = [name for log in stated["logs"] for name in log["files"]]
        return {"session.toml", _TRUTH, *logs} if "seed" in stated else set()
    except (OSError, ValueError, KeyError, TypeError):
        return set()
