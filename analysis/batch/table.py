"""All sessions of a batch side by side: batch.csv for programs, batch.html to read and sort."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import quote

from analysis.plots.style import COLOURS
from analysis.report.pages import page_environment, page_script
from analysis.text.numbers import Units, number
from logger.findings import counted

__all__ = ["COLUMNS", "Row", "batch_csv", "batch_dicts", "batch_html", "in_order"]

#: Columns of batch.csv: SI units, empty where unknown.
COLUMNS = (
    "session",
    "vehicle",
    "kind",
    "state",
    "result",
    "trust",
    "peak_W",
    "peak_sd_W",
    "peak_low95_W",
    "peak_high95_W",
    "peak_speed_mps",
    "road_load_speed_mps",
    "road_load_N",
    "road_load_sd_N",
    "road_load_low95_N",
    "road_load_high95_N",
    "F0_N",
    "F1_N_per_mps",
    "F2_N_per_mps2",
    "mass_kg",
    "mass_sd_kg",
    "density_kg_m3",
    "runs_up",
    "runs_down",
    "warnings",
    "report",
    "message",
)
#: A spreadsheet takes a text that begins with one of these for a formula.
_FORMULA = ("=", "+", "-", "@", "\t", "\r")

Value = str | float | int


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One session of the table.

    Parameters
    ----------
    name : str
        Its path below the batch's folder.
    report : str
        Path of its report from the table's folder, "" where it failed.
    message : str
        Why it failed, "" where it did not.
    figures : mapping
        By the name of the column, in SI units; what is unknown is absent.
    """

    name: str
    report: str
    message: str
    figures: Mapping[str, Value]

    @property
    def failed(self) -> bool:
        """Whether there are no results."""
        return bool(self.message)


def in_order(rows: Sequence[Row]) -> list[Row]:
    """Return rows by vehicle, then by name; case does not count, and no vehicle comes last."""

    def place(row: Row) -> tuple[bool, str, str]:
        vehicle = str(row.figures.get("vehicle", ""))
        return not vehicle, vehicle.casefold(), row.name.casefold()

    return sorted(rows, key=place)


def batch_dicts(rows: Sequence[Row]) -> list[dict[str, Value | None]]:
    """Return each row with every column of `COLUMNS`; None where unknown."""
    return [_by_column(row) for row in in_order(rows)]


def _by_column(row: Row) -> dict[str, Value | None]:
    own = {
        "session": row.name,
        "result": "failed" if row.failed else "done",
        "report": row.report,
        "message": row.message,
    }
    return {name: own.get(name, row.figures.get(name)) for name in COLUMNS}


def batch_csv(rows: Sequence[Row]) -> str:
    """Return the table as CSV (RFC 4180), sorted by vehicle; no cell is taken for a formula."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in batch_dicts(rows):
        writer.writerow([_cell(row[name]) for name in COLUMNS])
    return out.getvalue()


def _cell(value: Value | None) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        text = " ".join(value.split()) if "\n" in value or "\r" in value else value
        return "'" + text if text.startswith(_FORMULA) else text
    return repr(value)


def batch_html(rows: Sequence[Row], title: str, units: Units) -> str:
    """Return the table as a page that loads nothing; without its script it is sorted by vehicle.

    Parameters
    ----------
    rows : sequence of Row
        Of every session.
    title : str
        Of the page; escaped, as everything from files is.
    units : Units
        For people.

    Returns
    -------
    str
        HTML.
    """
    ordered = in_order(rows)
    script, scripted = page_script("batch.js")
    done = sum(not row.failed for row in rows)
    facts = [counted(len(rows), "session"), f"{done} with results"]
    if done < len(rows):
        facts.append(f"{len(rows) - done} failed")
    return (
        page_environment()
        .get_template("batch.html")
        .render(
            title=title,
            facts=facts,
            colours=COLOURS,
            scripted=scripted,
            script=script,
            heads=_heads(units),
            rows=[_page_row(row, units) for row in ordered],
            failures=[row for row in ordered if row.failed],
        )
    )


def _heads(units: Units) -> list[str]:
    return [
        "Vehicle",
        "Session",
        "State",
        "Trust",
        f"Peak wheel power [{units.power}]",
        f"95 % [{units.power}]",
        "Road load [N]",
        "95 % [N]",
        f"Road load at [{units.speed}]",
        "Mass [kg]",
        "Runs up, down",
        "Warnings",
    ]


def _page_row(row: Row, units: Units) -> tuple[str, list[tuple[str, Value]]]:
    """Return the address of a session's report and its cells: text, and what to sort it by."""
    power = _interval(row.figures, "peak", "W", units.power_w)
    force = _interval(row.figures, "road_load", "N", 1.0)
    speed = _number(row.figures, "road_load_speed_mps")
    at = "" if speed is None else f"{units.speed_value(speed):.0f}"
    mass = _number(row.figures, "mass_kg")
    runs = [_number(row.figures, name) for name in ("runs_up", "runs_down")]
    up, down = (0 if run is None else int(run) for run in runs)
    trust = str(row.figures.get("trust", ""))
    failed: list[tuple[str, Value]] = [("", ""), ("failed", ""), *[("", "")] * 4]
    figures: list[tuple[str, Value]] = (
        [*failed] if row.failed else [(trust, trust), *power, *force, (at, speed or "")]
    )
    cells: list[tuple[str, Value]] = [
        (text, text) for text in (str(row.figures.get("vehicle", "")), row.name)
    ]
    state = str(row.figures.get("state", ""))
    warnings = "" if row.failed else str(row.figures.get("warnings", ""))
    cells += [
        (state, state),
        *figures,
        ("" if mass is None else f"{mass:.0f}", "" if mass is None else mass),
        ("" if row.failed else f"{up}, {down}", up + down),
        (warnings, int(warnings or 0)),
    ]
    return quote(row.report, errors="surrogateescape"), cells


def _number(figures: Mapping[str, Value], name: str) -> float | None:
    value = figures.get(name)
    return None if value is None or isinstance(value, str) else float(value)


def _interval(
    figures: Mapping[str, Value], name: str, unit: str, scale: float
) -> list[tuple[str, Value]]:
    """Return a figure and its 95 % interval as cells, rounded by its standard deviation."""
    value = _number(figures, f"{name}_{unit}")
    sd, low, high = (
        _number(figures, f"{name}_{part}_{unit}") for part in ("sd", "low95", "high95")
    )
    if value is None or sd is None or low is None or high is None:
        return [("not measured", ""), ("", "")]
    text, *ends = (number(part / scale, sd / scale) for part in (value, low, high))
    return [(text, value), (f"{ends[0]} to {ends[1]}", high - low)]
