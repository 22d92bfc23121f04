"""A cross-check in words for a terminal."""

from __future__ import annotations

from analysis.crosscheck.checked import CrossCheck
from analysis.crosscheck.throttle import ThrottleMarks
from analysis.model.covariance import Z95
from analysis.terminal.lines import fill

__all__ = ["crosscheck_text"]


def crosscheck_text(
    found: CrossCheck, speed_unit: tuple[str, float], marks: ThrottleMarks | None
) -> str:
    """Return each timed interval with its prediction and verdict, then the explanations.

    Parameters
    ----------
    found : CrossCheck
        As from `cross_check`.
    speed_unit : tuple of str and float
        Name of the unit of gates, and its size [m/s].
    marks : ThrottleMarks or None
        What an oscilloscope showed.

    Returns
    -------
    str
        Lines of at most 80 characters but for those of intervals.
    """
    name, size = speed_unit
    lines = []
    if marks is not None:
        blips = ", ".join(f"{edge.t_s:.2f}" for edge in marks.blips) or "none"
        lines.append(
            f"Throttle: full at {marks.full.t_s:.2f} s, released at {marks.release.t_s:.2f} s, "
            f"blips at {blips} s, gear-change lifts: {marks.lifts}"
        )
    for gate in found.gates:
        gates = gate.run.gates
        kind = "pull" if gate.run.kind == "pull" else "coast-down"
        if gate.run.direction is not None:
            kind += " up" if gate.run.direction > 0 else " down"
        line = (
            f"{kind:<15} {gates.from_mps / size:5.4g} to {gates.to_mps / size:5.4g} {name}: timed "
            f"{gates.duration_s:6.2f} s"
        )
        if gate.predicted_s is not None and gate.predicted_sd_s is not None:
            line += (
                f", predicted {gate.predicted_s:6.2f} ± {Z95 * gate.predicted_sd_s:.2f} s (95 %)"
            )
        lines.append(f"{line}: {gate.verdict}")
    if found.alignment is not None:
        for item in found.alignment.intervals:
            if item.phone_s is not None and item.sd_s is not None:
                lines.append(
                    f"same run, {item.from_mps / size:.4g} to {item.to_mps / size:.4g} {name}: "
                    f"oscilloscope {item.scope_s:.2f} s, phone {item.phone_s:.2f} s, difference "
                    f"{item.difference_s:+.2f} ± {Z95 * item.sd_s:.2f} s"
                )
    for v, force, sd in found.road_load_n:
        lines.append(f"road load at {v / size:.4g} {name}: {force:.0f} ± {Z95 * sd:.0f} N")
    explained = [fill(line, subsequent_indent="  ") for line in (*found.steps, *found.explanation)]
    return "\n".join([*lines, *([""] if explained else []), *explained]) + "\n"
