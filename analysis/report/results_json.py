"""An `Analysis` as results.json: every key of the contract, and nothing that must not be shown."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.report.results_crosscheck import crosscheck_dict
from analysis.report.results_reference import comparison_dicts
from logger.errors import PullcoastError

if TYPE_CHECKING:
    from analysis.crosscheck.crosscheck import CrossCheck
    from analysis.pipeline import Analysis
    from analysis.results.power import PullFigures
    from analysis.results.road_load import RoadLoad
    from analysis.runs.run import Phase, Run
    from logger.findings import Finding

__all__ = [
    "COEFFICIENTS",
    "FORMAT",
    "SCHEMA_PATH",
    "ResultError",
    "finding_dict",
    "json_text",
    "phase_dict",
    "results_dict",
    "road_load_figures",
]

FORMAT = "pullcoast-results/1"
#: JSON Schema of results.json, beside this file.
SCHEMA_PATH = Path(__file__).with_name("results.schema.json")

#: Order of the coefficients in `covariance`.
COEFFICIENTS = ["F0_N", "F1_N_per_mps", "F2_N_per_mps2"]
_ROAD_LOAD_CAUSES = ("noise", "wind", "slope", "lag", "mount", "mass")
_POWER_CAUSES = ("noise", "road_load", "lag", "mount", "mass")

# JSON values: every leaf is a str, bool, int, finite float or None
_Json = Any


class ResultError(PullcoastError):
    """An `Analysis` that holds a number which must never be shown: nan, inf, or an sd of 0."""


def results_dict(outcome: Analysis, crosscheck: CrossCheck | None = None) -> dict[str, _Json]:
    """Return what results.json holds, with every key and null for what is unknown.

    Parameters
    ----------
    outcome : Analysis
        Of one session.
    crosscheck : CrossCheck or None
        Its timed runs.

    Returns
    -------
    dict
        Plain values only, in the order of the file.

    Raises
    ------
    ResultError
        A number is not finite or a standard deviation is not above 0; the text names the key.
    """
    session = outcome.session
    directions = [run.direction for run in outcome.used_runs]
    results: dict[str, _Json] = {
        "format": FORMAT,
        "session": {
            "name": session.name,
            "mass_kg": session.vehicle.mass_kg,
            "mass_sd_kg": session.vehicle.mass_sd_kg,
            "rotating_mass_kg": session.vehicle.rotating_mass_kg,
            "rotating_mass_sd_kg": session.vehicle.rotating_mass_sd_kg,
            "logs": len(outcome.recordings),
            "runs": len(directions),
            "runs_up": directions.count(1),
            "runs_down": directions.count(-1),
            "vehicle": session.vehicle.name,
            "kind": session.vehicle.kind,
            "state": session.vehicle.state,
        },
        "air": {
            "density_kg_m3": outcome.air.density_kg_m3,
            "density_sd_kg_m3": outcome.air.density_sd_kg_m3,
            "source": outcome.air.source,
        },
        "road_load": _road_load_dict(outcome),
        "wheel_power": _power_dict(outcome),
        "pulls": [_pull_dict(pull) for pull in outcome.pulls],
        "coasts": [
            {
                "log": run.log,
                **phase_dict(phase, run),
                "used": phase.used,
                "why_not": phase.why_not,
            }
            for run in outcome.runs
            for phase in run.phases
            if phase.kind == "coast"
        ],
        "site": {
            "wind_mps": outcome.site.wind_mps,
            "wind_sd_mps": outcome.site.wind_sd_mps,
            "slope_percent": 100 * outcome.site.slope,
            "slope_sd_percent": 100 * outcome.site.slope_sd,
            "separable": outcome.site.separable,
        },
        "sensors": [
            {
                "log": sensor.log,
                "gps_rate_hz": sensor.gps_rate_hz,
                "gps_lag_s": sensor.gps_lag_s,
                "gps_lag_sd_s": sensor.gps_lag_sd_s,
                "accel_rate_hz": sensor.accel_rate_hz,
                "accel_scale": sensor.accel_scale,
                "accel_used": sensor.accel_used,
                "why_not": sensor.why_not,
            }
            for sensor in outcome.sensors
        ],
        "crank_power": None
        if outcome.extras.crank is None
        else {
            "peak_W": outcome.extras.crank.peak_w,
            "low_W": outcome.extras.crank.low_w,
            "high_W": outcome.extras.crank.high_w,
            "loss_percent": list(outcome.extras.crank.loss_percent),
        },
        "corrections": [
            {
                "standard": correction.standard,
                "factor": correction.factor,
                "valid": correction.valid,
                "why_not": correction.why_not,
                "peak_W": correction.peak_w,
            }
            for correction in outcome.extras.corrections
        ],
        **comparison_dicts(outcome),
        "findings": [finding_dict(finding) for finding in outcome.findings],
        "history": [
            {"step": step.step, "version": step.version, "settings": step.settings}
            for step in outcome.history
        ],
    }
    if crosscheck is not None:
        results["crosscheck"] = crosscheck_dict(crosscheck)
    plain: dict[str, _Json] = _plain(results, "")
    return plain


def road_load_figures(load: RoadLoad) -> dict[str, _Json]:
    """Return coefficients, covariance, speeds and curve of a road load under their published keys.

    Parameters
    ----------
    load : RoadLoad
        Coefficients and covariance are None where it is not separable.
    """
    known = load.separable
    speeds = load.curve_speeds_mps()
    return {
        "F0_N": load.f0_n if known else None,
        "F1_N_per_mps": load.f1_n_per_mps if known else None,
        "F2_N_per_mps2": load.f2_n_per_mps2 if known else None,
        "covariance": load.covariance if known else None,
        "order": COEFFICIENTS,
        "why_not": load.why_not_separable,
        "speed_range_mps": load.speed_range_mps,
        "curve": [
            {"speed_mps": speed, "force_N": force, "sd_N": sd}
            for speed, force, sd in zip(
                speeds.tolist(),
                load.force_n(speeds).tolist(),
                load.force_sd_n(speeds).tolist(),
                strict=True,
            )
        ],
    }


def _road_load_dict(outcome: Analysis) -> dict[str, _Json] | None:
    road_load = outcome.road_load
    if road_load is None:
        return None
    known = road_load.separable
    reference = outcome.extras.reference_road_load
    return {
        **road_load_figures(road_load),
        "budget": _budget(road_load.budget_n, _ROAD_LOAD_CAUSES),
        "reference": None
        if reference is None or not known
        else {
            "temperature_C": reference.temperature_c,
            "pressure_kPa": reference.pressure_kpa,
            "F0_N": reference.f0_n,
            "F1_N_per_mps": reference.f1_n_per_mps,
            "F2_N_per_mps2": reference.f2_n_per_mps2,
            "covariance": reference.covariance,
        },
    }


def _power_dict(outcome: Analysis) -> dict[str, _Json] | None:
    power = outcome.power
    if power is None:
        return None
    return {
        "peak_W": power.peak_w,
        "peak_sd_W": power.peak_sd_w,
        "peak_ci95_W": power.peak_ci95_w,
        "peak_speed_mps": power.peak_speed_mps,
        "curve": [
            {"speed_mps": speed, "power_W": watts, "sd_W": sd, "gear": gear.gear}
            for gear in power.gears
            for speed, watts, sd in zip(
                gear.speed_mps.tolist(), gear.power_w.tolist(), gear.sd_w.tolist(), strict=True
            )
        ],
        "budget": _budget(power.budget_w, _POWER_CAUSES),
        "lower_bound_below_mps": power.lower_bound_below_mps,
        "scatter_factor": power.scatter_factor,
    }


def _budget(known: Mapping[str, float], causes: Sequence[str]) -> dict[str, float | None]:
    """Every cause of the contract, null when not stated, then any others."""
    return {**dict.fromkeys(causes), **known}


def _pull_dict(pull: PullFigures) -> dict[str, _Json]:
    return {
        "log": pull.log,
        "start_s": pull.start_s,
        "end_s": pull.end_s,
        "from_mps": pull.from_mps,
        "to_mps": pull.to_mps,
        "duration_s": pull.duration_s,
        "duration_sd_s": pull.duration_sd_s,
        "distance_m": pull.distance_m,
        "kinetic_mean_power_W": pull.kinetic_mean_power_w,
        "mean_power_W": pull.mean_power_w,
        "mean_power_sd_W": pull.mean_power_sd_w,
        "peak_power_W": pull.peak_power_w,
        "peak_power_sd_W": pull.peak_power_sd_w,
        "direction": pull.direction,
    }


def phase_dict(phase: Phase, run: Run) -> dict[str, _Json]:
    """Return the times, speeds and direction of one phase of `run` under results.json's keys."""
    return {
        "start_s": phase.start_s,
        "end_s": phase.end_s,
        "from_mps": phase.from_mps,
        "to_mps": phase.to_mps,
        "direction": run.direction,
    }


def finding_dict(finding: Finding) -> dict[str, _Json]:
    """Return one finding under results.json's keys."""
    return {
        "kind": finding.kind,
        "severity": finding.severity,
        "log": finding.log,
        "text": finding.text,
    }


def json_text(value: _Json) -> str:
    """Return `value` as indented JSON with a final newline; nan and inf are refused.

    Raises
    ------
    ResultError
        A number in it is not finite; the text names the key.
    """
    return json.dumps(_plain(value, ""), indent=1, allow_nan=False) + "\n"


def _plain(value: _Json, key: str) -> _Json:
    """Plain JSON values out of numpy values, tuples and paths; what must never be shown refused."""
    if isinstance(value, np.ndarray | np.generic):
        value = value.tolist()
    if isinstance(value, Mapping):
        return {
            str(name): _plain(item, f"{key}.{name}".lstrip(".")) for name, item in value.items()
        }
    if isinstance(value, list | tuple | set | frozenset):
        return [_plain(item, f"{key}[{index}]") for index, item in enumerate(value)]
    if value is None or isinstance(value, str | bool):
        return value
    if not isinstance(value, int | float):
        return str(value)
    if not math.isfinite(value):
        raise ResultError(_unfit(key, value, "a finite number"))
    # what the user states (the session's masses, settings) may have an sd of 0; no result may
    is_sd = "_sd_" in f"_{key.rsplit('.', 1)[-1]}_"
    if is_sd and value <= 0 and not key.startswith(("session.", "history")):
        raise ResultError(_unfit(key, value, "a standard deviation above 0"))
    return value


def _unfit(key: str, value: float, expected: str) -> str:
    return (
        f"the analysis gave {key} = {value}, expected {expected}; nothing was written. "
        "This is a fault of pullcoast, not of your logs: please report it with the session"
    )
