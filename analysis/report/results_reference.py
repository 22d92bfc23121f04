"""The keys of results.json for comparison with catalogues, regulations and stopwatches."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from analysis.pipeline import Analysis
    from analysis.results.engine import EngineSide, GearSide
    from analysis.results.predictions import Prediction

__all__ = ["comparison_dicts"]


def comparison_dicts(outcome: Analysis) -> dict[str, Any]:
    """Return the keys ``resistance``, ``regulation``, ``engine`` and ``predictions``.

    Parameters
    ----------
    outcome : Analysis
        Of one session.

    Returns
    -------
    dict
        None, or an empty list, where there is nothing to tell.
    """
    figures, expected = outcome.extras.resistance, outcome.extras.expected
    return {
        "resistance": None
        if figures is None
        else {
            "drag_area_m2": figures.drag_area_m2,
            "drag_area_sd_m2": figures.drag_area_sd_m2,
            "drag_coefficient": figures.drag_coefficient,
            "drag_coefficient_sd": figures.drag_coefficient_sd,
            "rolling_coefficient": figures.rolling_coefficient,
            "rolling_coefficient_sd": figures.rolling_coefficient_sd,
            "rolling_coefficient_usual": figures.rolling_usual,
            "F2_usual_N_per_mps2": figures.f2_usual,
            "usual_source": figures.usual_source,
        },
        "regulation": [
            {
                "speed_mps": band.speed_mps,
                "half_width_mps": band.half_width_mps,
                "pairs": len(band.pair_times_s),
                "pair_times_s": band.pair_times_s,
                "mean_time_s": band.mean_time_s,
                "precision_percent": None if band.precision is None else 100.0 * band.precision,
                "meets": band.meets,
                "force_N": band.force_n,
                "road_load_N": band.road_load_n,
                "road_load_sd_N": band.road_load_sd_n,
            }
            for band in outcome.extras.regulation
        ],
        "engine": None if outcome.extras.engine is None else _engine(outcome.extras.engine),
        "predictions": None
        if expected is None
        else {"air": expected.air, "items": [_prediction(item) for item in expected.items]},
    }


def _engine(engine: EngineSide) -> dict[str, Any]:
    return {
        "rolling_radius_m": engine.rolling_radius_m,
        "why_not": engine.why_not,
        "gears": [_gear(side) for side in engine.gears],
    }


def _gear(side: GearSide) -> dict[str, Any]:
    return {
        "piece": side.piece,
        "gear": side.gear,
        "overall_ratio": side.overall_ratio,
        "measured_ratio": side.measured_ratio,
        "measured_ratio_sd": side.measured_sd,
        "slip_percent": side.slip_percent,
        "slow_test_peak_W": side.slow_peak_w,
        "curve": [
            {"engine_speed_rpm": rpm, "torque_Nm": torque, "power_W": power, "sd_W": sd}
            for rpm, torque, power, sd in zip(
                side.engine_speed_rpm.tolist(),
                side.torque_nm.tolist(),
                side.power_w.tolist(),
                side.sd_w.tolist(),
                strict=True,
            )
        ],
    }


def _prediction(item: Prediction) -> dict[str, Any]:
    return {
        "name": item.name,
        "group": item.group,
        "unit": item.unit,
        "value": item.value,
        "sd": item.sd,
        "ci95": item.ci95,
        "why_not": item.why_not,
    }
