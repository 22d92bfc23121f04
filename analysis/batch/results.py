"""The results of sessions as a report writes them: each in its folder, what several share above."""

from __future__ import annotations

import sys
import webbrowser
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from analysis.crosscheck.checked import CrossCheck
from analysis.crosscheck.session import check_session
from analysis.model.road_memory import learn_road, read_road
from analysis.pipeline import Analysis
from analysis.plots.card import card_png
from analysis.plots.curves import report_plots, run_plots
from analysis.plots.files import plot_files
from analysis.report.html import render
from analysis.report.shared import render_shared, shared_summary
from analysis.report.sheet import sheet_csv
from analysis.results.road_load import RoadLoad
from analysis.session_pipeline import analyse_session
from analysis.sessions.combine import combine
from analysis.terminal.lines import fill
from analysis.terminal.output import OutputError, write_together
from analysis.terminal.progress import Progress
from analysis.text.numbers import Units
from analysis.text.occasion import day_text
from analysis.text.summary import summary
from logger.findings import Finding
from logger.session.session import Session
from logger.visible import visible

__all__ = ["analyse_checked", "open_page", "print_report", "put_together", "write_plots"]


def analyse_checked(
    session: Session,
    *,
    rate_hz: float | None = None,
    salvage: bool = False,
    strict: bool = False,
    road_load: RoadLoad | None = None,
    learn: bool = False,
    quiet: bool = False,
) -> tuple[Analysis, CrossCheck | None]:
    """Analyse a session (as `analyse_session` does), and return the cross-check that it asks for.

    With `learn` what it shows of the road's slope goes into its road file.
    """
    outcome = analyse_session(
        session, rate_hz=rate_hz, salvage=salvage, strict=strict, road_load=road_load,
        learn_road=learn, quiet=quiet,
    )  # fmt: skip
    if learn and session.road is not None and outcome.road is not None:
        outcome = _learnt(outcome, session.road)
    return outcome, None if session.crosscheck is None else check_session(outcome)


def _learnt(outcome: Analysis, path: Path) -> Analysis:
    """Write the session's lesson into its road file; a finding says whether it was."""
    assert outcome.road is not None  # `analyse` had the file
    try:
        why_not = learn_road(read_road(path, may_be_new=True), outcome.road)
    except OSError as error:
        msg = f"{path}: cannot write there: {error.strerror or error}. Choose another --road"
        raise OutputError(msg) from error
    text = f"The road's slope as these runs show it was written to {path.name}."
    if why_not is not None:
        text = f"Nothing was written to the road file {path.name}: {why_not}."
    finding = Finding(
        kind="road_learnt", severity="note" if why_not is None else "warning", text=text
    )
    return replace(outcome, findings=(*outcome.findings, finding))


def write_plots(
    outcome: Analysis, crosscheck: CrossCheck | None, folder: Path, *, full: bool
) -> None:
    """Write every figure of a session as files."""
    units = Units.of(outcome.session.display)
    every_run = run_plots(outcome, units) if full else ()
    write_together(folder, plot_files((*report_plots(outcome, units, crosscheck), *every_run)))


def print_report(
    outcome: Analysis,
    crosscheck: CrossCheck | None,
    folder: Path,
    *,
    full: bool,
    dates: bool,
    card: str | None,
    sheet: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Write a session's report and print its summary, or its results.json for programs.

    card: "plain" or "dated" for a card.png as well; sheet: with a sheet.csv.
    """
    with Progress(quiet=quiet) as progress:
        progress.show("drawing and writing the report")
        files: dict[str, str | bytes] = {}
        files |= render(outcome, crosscheck=crosscheck, full=full, dates=dates)
        units = Units.of(outcome.session.display)
        if card is not None:
            files["card.png"] = card_png(
                outcome, units, day_text(outcome) if card == "dated" else ""
            )
        if sheet:
            files["sheet.csv"] = sheet_csv(outcome, units)
        write_together(folder, files)
    if as_json:
        print(files["results.json"], end="")
    if not (as_json and quiet):
        text = summary(outcome, folder, tuple(files))
        print(text, file=sys.stderr if as_json else sys.stdout)


def open_page(page: Path) -> None:
    """Show a page in the browser that the system opens pages with, or say where it lies."""
    address = page.resolve().as_uri()
    if not webbrowser.open(address):
        print(f"No browser was found here. The page: {address}", file=sys.stderr)


def put_together(analyses: Mapping[str, Analysis], given: int, folder: Path) -> str:
    """Write what sessions share; return its summary, or why there is nothing to write."""
    earlier = folder / "shared.json"
    old = f" {earlier} is of an earlier time." if earlier.exists() else ""
    if len(analyses) < 2:
        return f"Not put together: that takes two usable sessions, found {len(analyses)}.{old}"
    shared = combine(
        list(analyses.values()), [visible(name) for name in analyses], given - len(analyses)
    )
    if len(shared.used) < 2:
        texts = " ".join(finding.text for finding in shared.findings)
        text = f"Not put together: that takes two usable sessions, found 1. {texts}{old}"
        return fill(text, 80)
    files = render_shared(shared, list(analyses))
    write_together(folder, files)
    return shared_summary(shared, folder, tuple(files))
