"""A cross-check with timed runs as plain values for programs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from analysis.crosscheck.crosscheck import CrossCheck

__all__ = ["crosscheck_dict"]


def crosscheck_dict(found: CrossCheck) -> dict[str, Any]:
    """Return a cross-check as plain values for programs, null for what is unknown."""
    sums, aligned = found.segments, found.alignment
    return {
        "gates": [
            {
                "kind": gate.run.kind,
                "from_mps": gate.run.gates.from_mps,
                "to_mps": gate.run.gates.to_mps,
                "measured_s": gate.run.gates.duration_s,
                "measured_sd_s": gate.measured_sd_s,
                "predicted_s": gate.predicted_s,
                "predicted_sd_s": gate.predicted_sd_s,
                "predicted_up_s": gate.predicted_up_s,
                "predicted_down_s": gate.predicted_down_s,
                "z": gate.z,
                "z_explained": gate.z_explained,
                "verdict": gate.verdict,
            }
            for gate in found.gates
        ],
        "speed_scale": found.speed_scale,
        "speed_scale_sd": found.speed_scale_sd,
        "reaction_s": found.reaction_s,
        "reaction_sd_s": found.reaction_sd_s,
        "segment_sum_W": None if sums is None or not sums.segments_w else sums.total_w,
        "segments_W": None if sums is None else list(sums.segments_w),
        "weighted_segments_W": found.weighted_segments_w,
        "kinetic_mean_W": None if sums is None else sums.kinetic_mean_w,
        "mean_wheel_power_W": found.mean_power_w,
        "mean_wheel_power_sd_W": found.mean_power_sd_w,
        "peak_wheel_power_W": found.peak_power_w,
        "road_load": [
            {"speed_mps": v, "force_N": force, "sd_N": sd} for v, force, sd in found.road_load_n
        ],
        "steps": list(found.steps),
        "explanation": list(found.explanation),
        "alignment": None
        if aligned is None
        else {
            "log": aligned.log,
            "run": aligned.run,
            "clock_difference_s": aligned.clock_difference_s,
            "clock_difference_sd_s": aligned.clock_difference_sd_s,
            "intervals": [
                {
                    "kind": item.kind,
                    "from_mps": item.from_mps,
                    "to_mps": item.to_mps,
                    "scope_s": item.scope_s,
                    "phone_s": item.phone_s,
                    "difference_s": item.difference_s,
                    "difference_sd_s": item.sd_s,
                }
                for item in aligned.intervals
            ],
        },
    }
