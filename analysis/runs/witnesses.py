"""What an engine's own signals say: throttle not open in a "pull", a gear engaged in a "coast-down"."""

from __future__ import annotations

import numpy as np

from analysis.runs.run import Phase, Run
from logger.recording import Channel, Recording

__all__ = ["why_in_gear", "why_throttle_closed"]

#: An open throttle reads at least this much [%], and this share of the most that the log shows: sensors
#: of cars read 75 to 100 % fully open (common practice, no source).
_OPEN_PERCENT, _OPEN_SHARE = 60.0, 0.75
#: In gear the engine turns in proportion to speed: within this share over ...
_SAME_RATIO = 0.04
#: ... a speed that changes by at least this share, with idling no explanation.
_LEAST_CHANGE = 0.12
_LEAST_SAMPLES = 4


def _during(
    channel: Channel | None, phase: Phase, later: float = 0.0
) -> tuple[np.ndarray, np.ndarray]:
    """Return times and values of a channel inside a phase, from its share `later` on."""
    if channel is None or channel.clock != 0:
        return np.zeros(0), np.zeros(0)
    start_s = phase.start_s + later * (phase.end_s - phase.start_s)
    inside = (channel.t_s >= start_s) & (channel.t_s <= phase.end_s) & np.isfinite(channel.values)
    return channel.t_s[inside], channel.values[inside]


def why_throttle_closed(run: Run, recording: Recording) -> str | None:
    """Return why a logged throttle shows that a pull was none, or None.

    Parameters
    ----------
    run : Run
        With its pull.
    recording : Recording
        ``throttle_percent`` or ``throttle_volts`` on its first clock counts.
    """
    pull = run.phase("pull")
    if pull is None or not pull.used:
        return None
    for name, unit in (("throttle_percent", "%"), ("throttle_volts", "V")):
        channel = recording.channel(name)
        _, values = _during(channel, pull, later=0.25)
        if channel is None or values.size < _LEAST_SAMPLES:
            continue
        most = float(np.nanmax(channel.values))
        usual = float(np.median(values))
        least = _OPEN_SHARE * most if unit == "V" else max(_OPEN_PERCENT, _OPEN_SHARE * most)
        if usual < least:
            return (
                f"the logged throttle is at {usual:.{0 if unit == '%' else 1}f} {unit} (median) in it, "
                f"where fully open is {least:.{0 if unit == '%' else 1}f} {unit} or more: part throttle"
            )
    return None


def why_in_gear(
    run: Run, recording: Recording, time_s: np.ndarray, speed_mps: np.ndarray
) -> str | None:
    """Return why the logged engine speed shows a gear engaged in a coast-down, or None.

    Parameters
    ----------
    run : Run
        With its coast-down.
    recording : Recording
        ``engine_speed_rpm`` on its first clock counts.
    time_s, speed_mps : arrays of shape (n,)
        The recording's curve [s], [m/s].
    """
    coast = run.phase("coast")
    if coast is None or not coast.used:
        return None
    at_s, rpm = _during(recording.channel("engine_speed_rpm"), coast)
    good = np.isfinite(speed_mps)
    if rpm.size < _LEAST_SAMPLES or not good.any():
        return None
    speed = np.interp(at_s, time_s[good], speed_mps[good])
    moving = (speed > 1.0) & (rpm > 300.0)
    if int(moving.sum()) < _LEAST_SAMPLES:
        return None
    speed, rpm = speed[moving], rpm[moving]
    change = float(np.ptp(np.log(speed)))
    ratio = np.log(rpm / speed)
    scatter = 1.4826 * float(np.median(np.abs(ratio - np.median(ratio))))
    together = float(np.corrcoef(rpm, speed)[0, 1]) if np.ptp(rpm) > 0.0 else 0.0
    if change < _LEAST_CHANGE or scatter > _SAME_RATIO or together < 0.9:
        return None
    return (
        f"the logged engine speed falls with the speed, {rpm[0]:.0f} to {rpm[-1]:.0f} 1/min at "
        f"{3.6 * speed[0]:.0f} to {3.6 * speed[-1]:.0f} km/h: a gear is engaged"
    )
