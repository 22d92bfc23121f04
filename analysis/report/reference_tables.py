"""The page's rows for comparison with catalogues, regulations, stopwatches and other days."""

from __future__ import annotations

from collections.abc import Mapping

from analysis.pipeline import Analysis
from analysis.results.engine import GearSide
from analysis.results.predictions import Prediction
from analysis.results.regulation import BandStatistics
from analysis.text.numbers import Units, interval_text, number, with_half95

__all__ = ["comparison_rows"]

_Rows = list[tuple[str, ...]]
#: 1 J/m in kWh per 100 km.
_KWH_PER_100KM = 1.0 / 36.0


def comparison_rows(outcome: Analysis, units: Units) -> Mapping[str, object]:
    """Return the rows of the page's section of comparisons, by table.

    Parameters
    ----------
    outcome : Analysis
        Of one session.
    units : Units
        For people.

    Returns
    -------
    mapping
        Rows of ``resistance``, ``regulation``, ``engine``, ``predictions``; the words ``air``,
        ``usual`` and ``engine_why_not``; empty where nothing is known.
    """
    figures, engine, expected = (
        outcome.extras.resistance,
        outcome.extras.engine,
        outcome.extras.expected,
    )
    return {
        "resistance": _resistance(outcome),
        "usual": "" if figures is None else figures.usual_source,
        "regulation": [_band(band, units) for band in outcome.extras.regulation],
        "engine": [] if engine is None else [_gear(side, units) for side in engine.gears],
        "engine_why_not": None if engine is None else engine.why_not,
        "predictions": [] if expected is None else [_item(one, units) for one in expected.items],
        "air": ""
        if expected is None
        else (
            "reference air (20 \u00b0C, 100 kPa)"
            if expected.air == "reference"
            else "the air of the day, since [air] does not state temperature and pressure"
        ),
    }


def _resistance(outcome: Analysis) -> _Rows:
    """Return the coefficients read as rolling coefficient and drag area."""
    figures = outcome.extras.resistance
    if figures is None:
        return []
    low, high = figures.rolling_usual
    rows: _Rows = [
        (
            "F0 as a rolling coefficient",
            with_half95(figures.rolling_coefficient, figures.rolling_coefficient_sd),
            f"usual: {low:g} to {high:g}",
        ),
        (
            "F2 as a drag area",
            f"{with_half95(figures.drag_area_m2, figures.drag_area_sd_m2)} m\u00b2",
            f"usual F2: {figures.f2_usual[0]:g} to {figures.f2_usual[1]:g} N/(m/s)\u00b2",
        ),
    ]
    if figures.drag_coefficient is not None and figures.drag_coefficient_sd is not None:
        rows.append(
            (
                "F2 as a drag coefficient",
                with_half95(figures.drag_coefficient, figures.drag_coefficient_sd),
                "with the stated frontal area",
            )
        )
    return rows


def _band(band: BandStatistics, units: Units) -> tuple[str, ...]:
    """Return one speed band: times, precision, force beside the road load."""
    precision = "\u2013" if band.precision is None else f"{100 * band.precision:.1f} %"
    words = {True: "yes", False: "no", None: "fewer than 3 pairs"}
    own = f"{100 * band.road_load_precision:.1f} %"
    return (
        units.speed_text(band.speed_mps),
        f"{len(band.pair_times_s)}",
        f"{band.mean_time_s:.2f}",
        precision,
        words[band.meets],
        f"{band.force_n:.0f}",
        with_half95(band.road_load_n, band.road_load_sd_n),
        own,
    )


def _gear(side: GearSide, units: Units) -> tuple[str, ...]:
    """Return one gear: ratios, slip, highest power and torque."""
    (power_w, sd_w, power_rpm), (torque_nm, torque_rpm) = side.peak, side.peak_torque
    measured = (
        "\u2013"
        if side.measured_ratio is None or side.measured_sd is None
        else with_half95(side.measured_ratio, side.measured_sd)
    )
    slip = "\u2013" if side.slip_percent is None else f"{side.slip_percent:+.1f} %"
    slow = "\u2013" if side.slow_peak_w is None else units.power_text(side.slow_peak_w, sd_w)
    return (
        f"{side.gear}" if side.gear is not None else f"piece {side.piece}",
        f"{side.overall_ratio:.2f}",
        measured,
        slip,
        f"{units.power_text(power_w, sd_w)} at {power_rpm:.0f}",
        f"{torque_nm:.0f} at {torque_rpm:.0f}",
        slow,
    )


def _item(item: Prediction, units: Units) -> tuple[str, ...]:
    """Return one prediction: name, value, interval or why not."""
    if item.value is None or item.sd is None or item.ci95 is None:
        why = item.why_not or "not known well enough"
        return item.name, "not told", why
    scale, unit = {
        "W": (units.power_w, units.power),
        "m/s": (units.speed_mps, units.speed),
        "J/m": (1.0 / _KWH_PER_100KM, "kWh per 100 km"),
    }.get(item.unit, (1.0, item.unit))
    value, sd = item.value / scale, item.sd / scale
    low, high = item.ci95
    span = interval_text((low / scale, high / scale), sd)
    return item.name, f"{number(value, sd)} {unit}", span
