"""sheet.csv: one session's results in the user's units, to keep in a spreadsheet."""

from __future__ import annotations

from analysis.model.covariance import Z95
from analysis.pipeline import Analysis
from analysis.plots.style import csv_text
from analysis.text.numbers import Units

__all__ = ["sheet_csv"]

_Row = tuple[object, object, object, object, object, object, str]


def sheet_csv(outcome: Analysis, units: Units) -> str:
    """Return the text of sheet.csv: headline first, then both curves, each with its 95 % interval.

    Parameters
    ----------
    outcome : Analysis
        Of one session.
    units : Units
        Of powers and speeds; forces are in newtons.

    Returns
    -------
    str
        A row a figure. A text that a spreadsheet would take for a formula is quoted.
    """
    vehicle, trust = outcome.session.vehicle, outcome.verdict.trust
    rows: list[_Row] = [
        _text("vehicle", vehicle.name or outcome.session.name),
        _text("state", vehicle.state),
        ("mass", "", "", vehicle.mass_kg, *_ends(vehicle.mass_kg, vehicle.mass_sd_kg), "kg"),
        _text("trust", trust.level),
        _text("why", " ".join(trust.why)),
    ]
    power, road_load = outcome.power, outcome.road_load
    if power is not None:
        low, high = (end / units.power_w for end in power.peak_ci95_w)
        at = power.peak_speed_mps / units.speed_mps
        rows.append(
            ("peak wheel power", "", at, power.peak_w / units.power_w, low, high, units.power)
        )
    if road_load is not None:
        load = road_load.headline
        at = load.speed_mps / units.speed_mps
        rows.append(("road load", "", at, load.force_n, *load.ci95_n, "N"))
        low, high = (end / units.power_w for end in load.holding_ci95_w)
        rows.append(
            (
                "power to hold a speed",
                "",
                at,
                load.holding_w / units.power_w,
                low,
                high,
                units.power,
            )
        )
        speeds = road_load.curve_speeds_mps()
        forces = zip(speeds, road_load.force_n(speeds), road_load.force_sd_n(speeds), strict=True)
        rows += [
            ("road load curve", "", speed / units.speed_mps, force, *_ends(force, sd), "N")
            for speed, force, sd in forces
        ]
    for gear in power.gears if power is not None else ():
        points = zip(gear.speed_mps, gear.power_w / units.power_w, gear.sd_w, strict=True)
        rows += [
            (
                "wheel power curve",
                "" if gear.gear is None else gear.gear,
                speed / units.speed_mps,
                watts,
                *_ends(watts, sd / units.power_w),
                units.power,
            )
            for speed, watts, sd in points
        ]
    heads = ["what", "gear", f"speed [{units.speed}]", "value", "95 % from", "95 % to", "unit"]
    return csv_text(heads, *zip(*rows, strict=True))


def _text(name: str, words: str) -> _Row:
    """Return a row whose value is a text."""
    return (name, "", "", words, "", "", "")


def _ends(value: float, sd: float) -> tuple[float, float]:
    """Return the ends of a 95 % interval."""
    return value - Z95 * sd, value + Z95 * sd
