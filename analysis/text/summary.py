"""An `Analysis` as plain text for a terminal: the headline, what to mind, where the files are."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from analysis.pipeline import Analysis
from analysis.terminal.lines import wrap
from analysis.text.numbers import (
    Units,
    interval_text,
    log_name,
    number,
    serious_by_kind,
    with_half95,
)
from logger.findings import counted

__all__ = ["summary"]

_COLUMNS = 80
#: The terminal shows this many kinds of warnings; the report shows all.
_MOST_WARNINGS = 8


def summary(outcome: Analysis, folder: Path, files: Sequence[str]) -> str:
    """Return the text that `pullcoast report` prints: at most 80 columns, ASCII but for names.

    Parameters
    ----------
    outcome : Analysis
        Of one session.
    folder : Path
        Where the files were written.
    files : sequence of str
        Their names.

    Returns
    -------
    str
        Without a final newline.
    """
    units = Units.of(outcome.session.display)
    session = outcome.session
    directions = [run.direction for run in outcome.used_runs]
    ways = f"{directions.count(1)} up, {directions.count(-1)} down"
    title = session.vehicle.name or session.name
    lines = [
        *wrap(
            f"{title}: {counted(len(directions), 'run')} ({ways}), {session.vehicle.mass_kg:.0f} kg",
            _COLUMNS,
        ),
        "",
    ]
    figures = [*_power_lines(outcome, units), *_road_load_lines(outcome, units)]
    trust = _trust_lines(outcome)
    # what is not to be relied on comes after the reason why
    doubtful = outcome.verdict.trust.level == "doubtful"
    lines += [*trust, *figures] if doubtful else [*figures, *trust]
    lines.append("")
    warnings = _warning_lines(outcome)
    if warnings:
        lines += [*warnings, ""]
    lines += [f"Written to {folder}:", f"  {' '.join(files)}"]
    return "\n".join(lines)


def _trust_lines(outcome: Analysis) -> list[str]:
    """Return how far to trust the results, and what no interval holds."""
    trust = outcome.verdict.trust
    lines = _indented(" ".join(trust.why), 20, f"  Trust             {trust.level}. ")
    return lines + _indented(f"No log can show: {'; '.join(trust.interval_leaves_out)}.", 20)


def _power_lines(outcome: Analysis, units: Units) -> list[str]:
    """Return the peak wheel power in one line."""
    power = outcome.power
    if power is None:
        return ["  Peak wheel power  unknown: no pull tells it"]
    interval = units.power_interval(*power.peak_ci95_w, power.peak_sd_w)
    peak = units.power_text(power.peak_w, power.peak_sd_w)
    at = units.speed_text(power.peak_speed_mps)
    if power.rough:
        return [
            f"  Peak wheel power  {interval} {units.power} near {at}  (95 %; known roughly only)"
        ]
    return [f"  Peak wheel power  {peak} at {at}  (95 %: {interval} {units.power})"]


def _road_load_lines(outcome: Analysis, units: Units) -> list[str]:
    """Return the road load at one speed, and its coefficients or why there are none."""
    road_load = outcome.road_load
    if road_load is None:
        return []
    load = road_load.headline
    at, force = units.speed_text(load.speed_mps), number(load.force_n, load.sd_n)
    interval = interval_text(load.ci95_n, load.sd_n)
    holding = units.power_text(load.holding_w, load.holding_sd_w)
    span = units.power_interval(*load.holding_ci95_w, load.holding_sd_w)
    lines = [
        f"  Road load         {force} N at {at}  (95 %: {interval} N)",
        f"                    {holding} to hold {at}  (95 %: {span} {units.power})",
    ]
    if road_load.separable:
        low, high = (units.speed_text(speed) for speed in road_load.speed_range_mps)
        for name, value, sd in zip(
            ("N", "N/(m/s)", "N/(m/s)^2"),
            road_load.coefficients,
            road_load.coefficient_sds,
            strict=True,
        ):
            power_of = name.count("m/s") + name.count("^2")
            text = f"F{power_of} {with_half95(value, sd, sign='+/-')} {name}"
            lines.append(" " * 20 + text)
        lines.append(" " * 20 + f"(+/- is 95 %; known from {low} to {high})")
    else:
        lines += _indented(f"no coefficients: {road_load.why_not_separable}", 20)
    return lines


def _warning_lines(outcome: Analysis) -> list[str]:
    """Return the most serious findings, one of each kind."""
    lines = []
    serious = serious_by_kind(outcome.findings)
    for finding, others in serious[:_MOST_WARNINGS]:
        name = "" if finding.log is None else f", {log_name(outcome.session, finding.log)}"
        name += "" if finding.run is None or finding.kind == "run_apart" else f", run {finding.run}"
        also = f" (The like in {counted(others, 'other log')}.)" if others else ""
        text = f"{finding.severity}{name}: {finding.text}{also}"
        lines += wrap(text, _COLUMNS, subsequent_indent="  ")
    if len(serious) > _MOST_WARNINGS:
        lines.append(f"and {len(serious) - _MOST_WARNINGS} more in the report")
    return lines


def _indented(text: str, by: int, first: str | None = None) -> list[str]:
    """Return a text in lines that begin further right."""
    return wrap(text, _COLUMNS, initial_indent=first or " " * by, subsequent_indent=" " * by)
