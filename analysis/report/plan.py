"""A plan as JSON, and as text: what to expect, what would bring more, and a checklist for the outing."""

from __future__ import annotations

import html
import re
from collections.abc import Sequence
from typing import Any

from analysis.planning.plan import MOST_PAIRS, Needed, OutingPrediction, Variant, half95_percent
from analysis.report.json_text import plain
from analysis.report.pages import TEMPLATES
from analysis.report.records.plan import PlanRecord
from analysis.results.trust import cause_name
from analysis.terminal.lines import wrap
from analysis.text.numbers import Units
from logger.findings import counted
from logger.session.session import Display

__all__ = ["checklist", "checklist_text", "plan_dict", "plan_text"]

_COLUMNS = 80


def plan_dict(
    predicted: OutingPrediction,
    variants: Sequence[Variant],
    want: float | None,
    needed: Sequence[Needed],
) -> dict[str, Any]:
    """Return what ``--json`` prints: SI units named in the keys, half 95 % intervals in per cent."""
    listed = checklist(predicted, Units.of(Display()))
    return plain(PlanRecord.of(predicted, variants, want, needed, listed))


# --- text ------------------------------------------------------------------------------------


def plan_text(
    predicted: OutingPrediction,
    variants: Sequence[Variant],
    want: float | None,
    needed: Sequence[Needed],
    *,
    said: str,
    display: Display,
    checklist_elsewhere: bool = False,
) -> str:
    """Return the plan for a terminal or a sheet of paper: at most 80 columns.

    Parameters
    ----------
    predicted, variants, want, needed
        From `plan.py`; `want` is a ratio or None.
    said : str
        What the outing is for, in words.
    display : Display
        Units.
    checklist_elsewhere : bool
        Without the checklist, which else stands first: what was asked for comes last.
    """
    units = Units.of(display)
    outing = predicted.outing
    accel = f"{outing.accel_hz:.0f} Hz accelerometer" if outing.accel_hz else "no accelerometer"
    lines = [] if checklist_elsewhere else [*checklist_text(predicted, units), ""]
    lines += _wrapped(
        f"Plan for {said}: {counted(outing.pairs, 'two-way pair')}, {outing.gps_hz:g} Hz GPS, {accel}, "
        f"wind {abs(outing.wind_mps):.1f} m/s, from {units.speed_text(outing.top_mps)} down to "
        f"{units.speed_text(outing.end_mps)}"
    )
    lines += ["", "To expect, 95 %           by itself   difference of two outings"]
    lines.append(
        f"  {'Peak wheel power':<22}  +/- {_percent(predicted.peak_share)}   "
        f"+/- {_percent(predicted.difference_share)}"
    )
    for load in predicted.loads:
        name = f"Road load at {units.speed_text(load.speed_mps)}"
        lines.append(
            f"  {name:<22}  +/- {_percent(load.share)}   +/- {_percent(load.difference_share)}"
        )
    if len(predicted.peak_shares) > 1:
        rising, level = (f"+/- {half95_percent(share):.1f} %" for share in predicted.peak_shares)
        lines += _wrapped(
            f"The peak of an engine whose power rises to the end of its gears {rising}, of one that is "
            f"level within a gear {level}."
        )
    causes = sorted(predicted.causes, key=lambda name: -predicted.causes[name])[:2]
    lines += _wrapped(
        f"A gain of {100 * predicted.gain_shown:.1f} % in peak wheel power shows four times out of five, "
        "before and after with one mass. What widens the peak most: "
        f"{cause_name(causes[0])}, then {cause_name(causes[1])}."
    )
    lines += ["", *_variants(variants, units)]
    if want is not None:
        lines += ["", f"For +/- {100 * want:g} %"]
        for one in needed:
            lines += _needed(one, want)
    return "\n".join(lines)


def _percent(share: float) -> str:
    return f"{half95_percent(share):5.1f} %"


def _variants(variants: Sequence[Variant], units: Units) -> list[str]:
    """Return the table of variants."""
    first = next(one.predicted for one in variants if one.predicted is not None)
    speeds = [load.speed_mps for load in first.loads]
    heads = ["peak", *(units.speed_text(speed) for speed in speeds), "gain", "road"]
    rows = []
    for one in variants:
        found = one.predicted
        if found is None:
            rows.append([one.name, "cannot be driven"])
            continue
        loads = {round(load.speed_mps, 3): load.share for load in found.loads}
        shares = [loads.get(round(speed, 3)) for speed in speeds]
        rows.append(
            [
                one.name,
                f"{half95_percent(found.peak_share):.1f} %",
                *("" if share is None else f"{half95_percent(share):.1f} %" for share in shares),
                f"{100 * found.gain_shown:.1f} %",
                f"{found.road_m / 1000:.1f} km",
            ]
        )
    name = max(len(row[0]) for row in rows)
    widths = [max(8, len(head)) for head in heads]
    lines = [f"  {'What if (+/-, 95 %)':<{name}}" + _right(heads, widths)]
    return lines + [f"  {row[0]:<{name}}" + _right(row[1:], widths) for row in rows]


def _right(cells: Sequence[str], widths: Sequence[int]) -> str:
    """Return cells set to the right of their columns."""
    if len(cells) == 1:
        return "  " + cells[0]
    return "".join(f"  {cell:>{width}}" for cell, width in zip(cells, widths, strict=True))


def _needed(one: Needed, want: float) -> list[str]:
    """Return in a sentence how many pairs a figure takes, or why no number does."""
    name = one.what[0].upper() + one.what[1:]
    if one.pairs is not None:
        return _wrapped(f"  {name}: {counted(one.pairs, 'pair')}")
    why = ""
    if one.mass > 0.9 * want:
        why = f"; the mass alone leaves +/- {100 * one.mass:.1f} %: weigh the vehicle"
    elif one.what.startswith("gain"):
        why = "; days differ by 1 % whatever the runs: repeat before and after on several days"
    return _wrapped(
        f"  {name}: not with {MOST_PAIRS} pairs, which reach {100 * one.least:.1f} %{why}"
    )


def _wrapped(text: str) -> list[str]:
    return wrap(text, _COLUMNS, subsequent_indent="  ")


def _listed(items: Sequence[str]) -> list[str]:
    """Return items as boxes to tick."""
    lines = []
    for item in items:
        lines += wrap(item, _COLUMNS, initial_indent="  [ ] ", subsequent_indent="      ")
    return lines


def checklist_text(predicted: OutingPrediction, units: Units) -> list[str]:
    """Return the checklist as lines to print."""
    return ["Checklist", *_listed(checklist(predicted, units))]


def checklist(predicted: OutingPrediction, units: Units) -> list[str]:
    """Return what to mind before, during and after the outing, in its order.

    Parameters
    ----------
    predicted : OutingPrediction
        For road and time.
    units : Units
        For speeds.
    """
    outing = predicted.outing
    middle = units.speed_text(0.5 * (outing.top_mps + outing.end_mps))
    top, end = units.speed_text(outing.top_mps), units.speed_text(outing.end_mps)
    return [
        *_cautions(),
        (
            f"Road: straight, {predicted.road_needed_m / 1000:.1f} km long for one run from standstill to {top} and down to "
            f"{end}, with room to brake; slope 1 % at most. On a shorter one coast in two parts, from "
            f"{top} and from a little above {middle}, both ways each."
        ),
        f"Time: about {_hours(predicted.hours)} for {counted(2 * outing.pairs, 'run')}, in one spell of weather.",
        (
            "Weather: dry, mean wind below 5 m/s, gusts below 8 m/s, 5 to 40 C. Write down temperature, "
            "pressure at the place and humidity."
        ),
        f"Mass: weigh the vehicle as driven, with people and fuel. {_mass(predicted)}",
        "Tyres: set the pressure cold, write it down, and leave it for a comparison.",
        "Windows, roof, load: as they shall be, the same in every run.",
        "Warm up: drive at least 20 minutes before the first run.",
        "Phone: in a firm mount, left as it is from the first run to the last. "
        + (
            f"Record GPS speed at {outing.gps_hz:g} Hz and acceleration at {outing.accel_hz:.0f} Hz."
            if outing.accel_hz
            else f"Record GPS speed at {outing.gps_hz:g} Hz; an accelerometer would narrow much."
        ),
        f"Order: {_order(outing.pairs)}. Up and down in turn, soon after one another.",
        (
            "Each run: start the recording, stand still for 5 seconds, full throttle straight on, release "
            f"a little above {top}, neutral at once, coast to {end}, brake, stand still."
        ),
        (
            "Before and after a change: before, after, before, after again, in like weather, with the same "
            "people and as much fuel; one session each, then `pullcoast compare`."
        ),
        "Back home: `pullcoast look` at the logs before anything is changed on the vehicle.",
    ]


def _hours(hours: float) -> str:
    return f"{60 * hours:.0f} minutes" if hours < 1.5 else f"{hours:.1f} hours"


def _mass(predicted: OutingPrediction) -> str:
    share = half95_percent(predicted.mass_share)
    return f"As stated it leaves +/- {share:.1f} % on every figure that is not a difference."


def _order(pairs: int) -> str:
    runs = [f"{number} {'up' if number % 2 else 'down'}" for number in range(1, 2 * pairs + 1)]
    return ", ".join(runs) if len(runs) <= 8 else ", ".join([*runs[:4], "...", runs[-1]])


def _cautions() -> list[str]:
    """Return the cautions that every page shows."""
    text = (TEMPLATES / "cautions.html").read_text(encoding="utf-8")
    items = re.findall(r"<li>(.*?)</li>", text, re.DOTALL)
    return [" ".join(html.unescape(item).split()) for item in items]
