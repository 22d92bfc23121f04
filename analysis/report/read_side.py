"""One side of a comparison: a session analysed afresh, or an earlier results.json of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import cast

from analysis.report.read_results import side_of_results
from analysis.results.checks.validity import NothingUsable
from analysis.session_pipeline import analyse_session
from analysis.sessions.side import Side, side_of
from logger.errors import SessionError
from logger.session.keys import PowerUnit, SpeedUnit
from logger.session.overrides import apply_overrides, open_session

__all__ = ["side_of_path"]


def side_of_path(
    name: str,
    path: Path,
    *,
    power: str | None = None,
    speed: str | None = None,
    allow_outside: bool = False,
    quiet: bool = False,
) -> Side:
    """Analyse a session, or read an earlier result of it; messages name the one that failed.

    Parameters
    ----------
    name : str
        What to call it.
    path : Path
        A session's folder, its session.toml, or a results.json or a folder with one.
    power, speed : str, optional
        Units for people; they win over those of the session.
    allow_outside : bool
        Whether a session may name logs outside its folder.
    quiet : bool
        Show no progress.

    Returns
    -------
    Side
        One side of a comparison.

    Raises
    ------
    SessionError, ReadError, NothingUsable
        What is there cannot be used.
    """
    results = _results_file(path)
    if results is not None:
        side = side_of_results(name, results)
        display = replace(
            side.display,
            power=cast("PowerUnit", power or side.display.power),
            speed=cast("SpeedUnit", speed or side.display.speed),
        )
        return replace(side, display=display)
    if not path.exists():
        raise SessionError(str(path), "", "does not exist", "a session folder or a results.json")
    if path.is_dir() and not (path / "session.toml").exists():
        remedy = "Write one, or compare the results.json that `pullcoast report` wrote"
        raise SessionError(str(path), "", "has no session.toml", "a session folder", remedy)
    session = apply_overrides(
        open_session(path, allow_outside=allow_outside),
        power=power,
        speed=speed,
    )
    try:
        return side_of(name, analyse_session(session, quiet=quiet))
    except NothingUsable as error:
        raise NothingUsable(tuple(f"{path}: {reason}" for reason in error.reasons)) from error


def _results_file(path: Path) -> Path | None:
    """Return the results.json that a path stands for, or None where it is a session."""
    if path.suffix == ".json":
        return path
    if path.is_dir() and not (path / "session.toml").exists():
        for place in (path / "results.json", path / "results" / "results.json"):
            if place.exists():
                return place
    return None
