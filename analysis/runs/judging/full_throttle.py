"""Full throttle repeats: pulls that show another force each time at the same speeds were no pulls.

At full throttle the engine decides, and every pull shows the same tractive curve within slope, wind
and noise. In ordinary driving the foot decides. Two pulls are compared as

    log (a_1(v) + r(v)) / (a_2(v) + r(v))

over the speeds that they share, with r a usual road load per mass; r cancels to first order. Where
the engine's own signals were logged, they are heard as well: throttle, and engine speed over speed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.runs.run import Phase, Run
from analysis.signals.smoothing import Fused
from logger.arrays import Array
from logger.recording import Channel, Recording
from logger.units import STANDARD_GRAVITY_MPS2

__all__ = [
    "Repeat",
    "drive_in_bands",
    "drive_mps2",
    "pulls_that_repeat",
    "why_in_gear",
    "why_pulls_differ",
    "why_throttle_closed",
]

#: Width of the bands of speed in which pulls are compared [m/s], and how many they must share.
_BAND_MPS, _LEAST_BANDS = 2.0, 3
#: Full throttle repeats within this share (heat, boost, shifts) and this slope (ratio): common
#: practice, no source.
_REPEATS, _SLOPE = 0.08, 0.005
#: Two pulls show one curve where their rms difference stays below this many sd.
_SAME = 2.0
#: Where fewer pulls than this share belong to one curve, the foot decided and not the engine.
_LEAST_SHARE = 0.5
#: Pulls that nearly all end in a coast-down were driven for it, in whatever gears.
_PLANNED_SHARE = 0.8
_LEAST_FORCE_MPS2 = 0.05
#: An open throttle reads at least this much [%], and this share of the most that the log shows: sensors
#: of cars read 75 to 100 % fully open (common practice, no source).
_OPEN_PERCENT, _OPEN_SHARE = 60.0, 0.75
#: In gear the engine turns in proportion to speed: within this share over ...
_SAME_RATIO = 0.04
#: ... a speed that changes by at least this share, with idling no explanation.
_LEAST_CHANGE = 0.12
_LEAST_SAMPLES = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeat:
    """How pulls repeat.

    `compared` and `alike` hold numbers of runs: those that share speeds with another, and the largest
    group that shows one curve. `differ` is the median rms difference of two pulls (ratio).
    """

    compared: tuple[int, ...]
    alike: tuple[int, ...]
    differ: float


def pulls_that_repeat(runs: Sequence[Run], fused: Sequence[Fused]) -> Repeat:
    """Compare every two used pulls over the speeds that they share.

    Parameters
    ----------
    runs : sequence of Run
        With their pulls.
    fused : sequence of Fused, one per log
        Their curves.

    Returns
    -------
    Repeat
        Empty where no two pulls share enough speeds.
    """
    known = [
        (run.number, bands)
        for run in runs
        if (bands := drive_in_bands(run, fused[run.log])) is not None
    ]
    size = len(known)
    same = np.zeros((size, size), dtype=bool)
    seen = np.zeros((size, size), dtype=bool)
    differences = []
    for i in range(size):
        for j in range(i):
            found = _difference(known[i][1], known[j][1])
            if found is not None:
                size_of, sds = found
                differences.append(size_of)
                seen[i, j] = seen[j, i] = True
                same[i, j] = same[j, i] = sds < _SAME
    compared = [index for index in range(size) if seen[index].any()]
    alike = _largest_group(same, compared)
    return Repeat(
        compared=tuple(known[index][0] for index in compared),
        alike=tuple(known[index][0] for index in alike),
        differ=float(np.median(differences)) if differences else 0.0,
    )


def why_pulls_differ(runs: Sequence[Run], fused: Sequence[Fused]) -> str | None:
    """Return why the accelerations of a session were not at full throttle, or None."""
    repeat = pulls_that_repeat(runs, fused)
    count = len(repeat.compared)
    if count < 2 or len(repeat.alike) >= _LEAST_SHARE * count:
        return None
    if count == 2 and len(repeat.alike) < 2:
        # two pulls alone may be of two gears, and say nothing of one another
        return None if _planned(runs, repeat.compared) else _why(repeat)
    if _planned(runs, repeat.compared):
        return None
    return _why(repeat)


def _why(repeat: Repeat) -> str:
    count, alike = len(repeat.compared), len(repeat.alike)
    most = (
        f"at most {alike} of them show one curve" if alike > 1 else "no two of them show one curve"
    )
    return (
        f"{count} accelerations differ by {100 * repeat.differ:.0f} % (median) at the same speeds, and "
        f"{most}, where full throttle repeats: this is driving at part throttle"
    )


def _planned(runs: Sequence[Run], compared: Sequence[int]) -> bool:
    """Return whether nearly every pull is followed by a coast-down."""
    ends = [
        coast is not None and coast.used
        for run in runs
        if run.number in compared
        for coast in [run.phase("coast")]
    ]
    return bool(ends) and sum(ends) >= _PLANNED_SHARE * len(ends)


def drive_mps2(accel_mps2: Array, speed_mps: Array) -> Array:
    """Return acceleration with a usual road load per mass added [m/s2]; common practice, no source."""
    return accel_mps2 + 0.12 + 0.3 * (speed_mps / 30.0) ** 2


def drive_in_bands(run: Run, fused: Fused) -> dict[int, float] | None:
    """Return the mean tractive acceleration in each band of speed of a used pull [m/s2]."""
    pull, curve = run.phase("pull"), fused.curve
    if pull is None or not pull.used or curve is None:
        return None
    inside = np.zeros(curve.time_s.size, dtype=bool)
    for start_s, end_s in pull.gear_pieces_s:
        inside |= (curve.time_s >= start_s) & (curve.time_s <= end_s)
    inside &= np.isfinite(curve.speed_mps)
    speed = curve.speed_mps[inside]
    drive = drive_mps2(curve.accel_mps2[inside], speed)
    band = np.floor(speed / _BAND_MPS).astype(int)
    means = {int(one): float(np.mean(drive[band == one])) for one in np.unique(band)}
    return {one: mean for one, mean in means.items() if mean > _LEAST_FORCE_MPS2}


def _difference(one: dict[int, float], other: dict[int, float]) -> tuple[float, float] | None:
    """Return the size of two pulls' rms difference (ratio), and the same in sd; None if not shared."""
    shared = sorted(one.keys() & other.keys())
    if len(shared) < _LEAST_BANDS:
        return None
    first: Array = np.array([one[band] for band in shared])
    second: Array = np.array([other[band] for band in shared])
    slope = np.sqrt(2.0) * STANDARD_GRAVITY_MPS2 * _SLOPE / np.sqrt(first * second)
    away = np.log(first / second)
    sds = float(np.sqrt(np.mean((away / np.hypot(_REPEATS, slope)) ** 2)))
    return float(np.sqrt(np.mean(away**2))), sds


def _largest_group(same: np.ndarray, compared: Sequence[int]) -> list[int]:
    """Return the largest group found in which every two agree, grown from each pull in turn."""
    best: list[int] = []
    for start in compared:
        group = [start]
        others = sorted(
            (index for index in compared if same[start, index]),
            key=lambda index: -same[index].sum(),
        )
        for index in others:
            if all(same[index, member] for member in group):
                group.append(index)
        if len(group) > len(best):
            best = group
    return best


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
