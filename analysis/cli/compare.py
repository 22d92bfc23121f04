"""The command `pullcoast compare`: sessions or earlier results in, differences out."""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.terminal.errors import EXIT_NOTHING, EXIT_OK, complain
from analysis.terminal.output import check_writable, write_together
from logger.errors import SessionError
from logger.session.overrides import apply_overrides, open_session

if TYPE_CHECKING:
    from analysis.sessions.side import Side

__all__ = ["compare"]


def compare(arguments: argparse.Namespace) -> int:
    """Run ``pullcoast compare`` and return the exit status."""
    paths = [Path(text) for text in (arguments.first, *arguments.others)]
    folder = None if arguments.out is None else Path(arguments.out)
    if folder is not None:
        check_writable(folder)
    sides = [_side(name, path, arguments) for name, path in zip(_names(paths), paths, strict=True)]
    from analysis.sessions.compare import compare_all

    comparisons = compare_all(sides)
    if all(one.peak_w is None and one.road_load is None for one in comparisons):
        for one in comparisons:
            complain(
                f"{one.other.name} and {one.first.name} have no figure in common: not both have a "
                f"wheel power, and {one.why_no_road_load}"
            )
        return EXIT_NOTHING
    from analysis.report.comparison import compare_text, render_comparison

    files = render_comparison(comparisons) if folder is not None or arguments.json else {}
    if folder is not None:
        write_together(folder, files)
    if arguments.json:
        print(files["compare.json"], end="")
    text = compare_text(comparisons, folder, tuple(files))
    print(text, file=sys.stderr if arguments.json else sys.stdout)
    return EXIT_OK


def _names(paths: list[Path]) -> list[str]:
    """Return what to call each: its folder, with a number where two are alike."""
    names: list[str] = []
    for path in paths:
        place = path.resolve()
        if place.suffix in (".toml", ".json"):
            place = place.parent
        if place.name == "results" and not (place / "session.toml").exists():
            place = place.parent
        name, number = place.name or "session", 2
        while name in names:
            name, number = f"{place.name}-{number}", number + 1
        names.append(name)
    return names


def _side(name: str, path: Path, arguments: argparse.Namespace) -> Side:
    """Analyse a session, or read an earlier result; messages say which of them failed."""
    results = _results_file(path)
    if results is not None:
        from analysis.report.read_side import side_of_results

        side = side_of_results(name, results)
        display = replace(
            side.display,
            power=arguments.power or side.display.power,
            speed=arguments.speed_unit or side.display.speed,
        )
        return replace(side, display=display)
    if not path.exists():
        raise SessionError(str(path), "", "does not exist", "a session folder or a results.json")
    if path.is_dir() and not (path / "session.toml").exists():
        remedy = "Write one, or compare the results.json that `pullcoast report` wrote"
        raise SessionError(str(path), "", "has no session.toml", "a session folder", remedy)
    session = apply_overrides(
        open_session(path, allow_outside=arguments.allow_outside),
        power=arguments.power,
        speed=arguments.speed_unit,
    )
    from analysis.results.validity import NothingUsable
    from analysis.session_pipeline import analyse_session
    from analysis.sessions.side import side_of

    try:
        return side_of(name, analyse_session(session, quiet=arguments.quiet))
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
