"""The command `pullcoast report`: sessions in, a folder of results each out."""

from __future__ import annotations

import argparse
import sys
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.session_pipeline import analyse_session
from analysis.terminal.errors import EXIT_INPUT, EXIT_OK, complain, explain
from analysis.terminal.output import check_writable, write_together
from analysis.terminal.progress import Progress
from logger.errors import PullcoastError
from logger.session.overrides import apply_overrides, column_choices, open_session

if TYPE_CHECKING:
    from analysis.crosscheck.crosscheck import CrossCheck
    from analysis.pipeline import Analysis
    from analysis.results.road_load import RoadLoad
    from logger.session.session import Session

__all__ = ["report"]


def report(arguments: argparse.Namespace) -> int:
    """Run ``pullcoast report`` and return the exit status.

    Each session is analysed by itself into a folder of its own; one that fails does not stop the
    others, and the worst exit status is returned. What several have in common goes above them.
    """
    paths = [Path(text) for text in arguments.sessions]
    if arguments.json and len(paths) > 1:
        complain("--json prints one results.json, so give one session with it")
        return EXIT_INPUT
    road_load = None
    if arguments.road_load is not None:
        from analysis.report.read_results import read_results_road_load

        road_load = read_results_road_load(arguments.road_load)
    statuses = []
    analyses: dict[str, Analysis] = {}
    pictures = [None] * len(paths) if arguments.plots is None else _folders(paths, arguments.plots)
    folders = _folders(paths, arguments.out)
    for path, folder, picture_folder in zip(paths, folders, pictures, strict=True):
        try:
            if picture_folder is not None:
                check_writable(picture_folder)
            outcome = _analyse(path, folder, arguments, road_load)
            crosscheck = _check(outcome)
        except PullcoastError as error:
            if len(paths) == 1:
                raise
            statuses.append(explain(error, str(path)))
            continue
        if picture_folder is not None:
            _write_plots(outcome, crosscheck, picture_folder, full=arguments.full)
        statuses.append(_write(outcome, crosscheck, folder, arguments))
        analyses[folder.name] = outcome
    if len(paths) > 1:
        print(f"\n{_put_together(analyses, len(paths), arguments)}")
    return max(statuses)


def _put_together(analyses: dict[str, Analysis], given: int, arguments: argparse.Namespace) -> str:
    """Write what the sessions share, and return what to say of it: also why there is nothing."""
    if arguments.out is None:
        return "With --out DIR the sessions are put together as well."
    if arguments.road_load is not None:
        return (
            "Not put together: with --road-load the sessions lean on one road load from\n"
            "elsewhere, which would count once for each."
        )
    folder, missing = Path(arguments.out), given - len(analyses)
    earlier = folder / "shared.json"
    old = f" {earlier} is of an earlier time." if earlier.exists() else ""
    if len(analyses) < 2:
        return f"Not put together: that takes two usable sessions, found {len(analyses)}.{old}"
    from analysis.sessions.combine import combine

    shared = combine(list(analyses.values()), list(analyses), missing)
    if len(shared.used) < 2:
        texts = " ".join(finding.text for finding in shared.findings)
        text = f"Not put together: that takes two usable sessions, found 1. {texts}{old}"
        return textwrap.fill(text, 80, break_long_words=False)
    from analysis.report.shared import render_shared, shared_summary

    files = render_shared(shared, list(analyses))
    write_together(folder, files)
    return shared_summary(shared, folder, tuple(files))


def _folders(paths: list[Path], out: str | None) -> list[Path]:
    """Where each session's files go; equal names get a number."""
    if out is None:
        return [(path.parent if path.suffix == ".toml" else path) / "results" for path in paths]
    if len(paths) == 1:
        return [Path(out)]
    folders: list[Path] = []
    for path in paths:
        place = (path.parent if path.suffix == ".toml" else path).resolve()
        folder, number = Path(out) / (place.name or "session"), 2
        while folder in folders:
            folder, number = Path(out) / f"{place.name}-{number}", number + 1
        folders.append(folder)
    return folders


def _open(path: Path, arguments: argparse.Namespace) -> Session:
    columns = column_choices(arguments.column, arguments.unit)
    session = open_session(
        path,
        mass=arguments.mass,
        mass_uncertainty=arguments.mass_uncertainty,
        rotating_mass=arguments.rotating_mass,
        rotating_mass_uncertainty=arguments.rotating_mass_uncertainty,
        allow_outside=arguments.allow_outside,
    )
    return apply_overrides(
        session,
        temperature=arguments.temperature,
        pressure=arguments.pressure,
        humidity=arguments.humidity,
        altitude=arguments.altitude,
        power=arguments.power,
        speed=arguments.speed_unit,
        columns=columns,
    )


def _analyse(
    path: Path, folder: Path, arguments: argparse.Namespace, road_load: RoadLoad | None
) -> Analysis:
    """Everything that can be refused without computing is refused before the slow imports."""
    session = _open(path, arguments)
    check_writable(folder)
    return analyse_session(
        session,
        rate_hz=arguments.rate_hz,
        salvage=arguments.salvage,
        strict=arguments.strict,
        road_load=road_load,
        quiet=arguments.quiet,
    )


def _check(outcome: Analysis) -> CrossCheck | None:
    """Hold the session's timed runs against it, where session.toml states some."""
    if outcome.session.crosscheck is None:
        return None
    from analysis.cli.crosscheck import check_session

    return check_session(outcome)


def _write_plots(
    outcome: Analysis, crosscheck: CrossCheck | None, folder: Path, *, full: bool
) -> None:
    from analysis.plots.curves import report_plots, run_plots
    from analysis.plots.files import plot_files
    from analysis.text.numbers import Units

    units = Units.of(outcome.session.display)
    every_run = run_plots(outcome, units) if full else ()
    write_together(folder, plot_files((*report_plots(outcome, units, crosscheck), *every_run)))


def _write(
    outcome: Analysis,
    crosscheck: CrossCheck | None,
    folder: Path,
    arguments: argparse.Namespace,
) -> int:
    with Progress(quiet=arguments.quiet) as progress:
        progress.say("drawing and writing the report")
        from analysis.report.html import render
        from analysis.text.summary import summary

        files = render(outcome, crosscheck=crosscheck, full=arguments.full)
        write_together(folder, files)
    if arguments.json:
        print(files["results.json"], end="")
    if not (arguments.json and arguments.quiet):
        text = summary(outcome, folder, tuple(files))
        print(text, file=sys.stderr if arguments.json else sys.stdout)
    return EXIT_OK
