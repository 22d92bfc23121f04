"""Which way is up for the phone, and whether it moved in its mount.

A road tilts the vehicle: by its slope along it, by its crossfall across it. Two stands may differ by
both, so a change of gravity alone is no sign of a moved phone; one beyond what roads have is, and so
is a forward axis that points elsewhere in another part of the recording.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import uniform_filter1d

from analysis.signals.gps import Fixes
from analysis.signals.lag import forward_axis
from logger.arrays import Array

__all__ = ["gravity_at_rest", "why_moved"]

_STAND_MPS = 0.5
#: A stand is at rest where it is at most this much louder than the quietest second of the recording.
_QUIET = 1.6
#: Roads tilt a vehicle by at most this from one stand to another, along it and across it [degrees]:
#: slopes of some 13 % uphill and downhill; crossfall is 2 to 3 %, in bends up to 8 % (4.6 degrees),
#: and bodies lean. Common practice, no source.
_SLOPE_DEG, _CROSSFALL_DEG = 15.0, 6.0
#: The forward axis of a part of the recording points elsewhere beyond this [degrees]: bends, in which
#: vehicles brake, turn the axis of a part by up to 40 degrees on real roads. A part holds so many
#: changes of speed, of which the axis explains so much.
_ELSEWHERE_DEG, _SURE_SD = 60.0, 4.0
_PART, _MOST_PARTS, _EXPLAINED = 20, 4, 0.5


def gravity_at_rest(t_s: Array, axes_mps2: Array, fixes: Fixes, *, same_clock: bool) -> Array:
    """Return the median specific force at rest, or over everything where it never rests [m/s2]."""
    if same_clock and fixes.t_s.size:
        speed = np.interp(t_s, fixes.t_s, fixes.speed_mps, left=np.inf, right=np.inf)
        rest = speed < _STAND_MPS
        if int(rest.sum()) >= 20:
            return np.asarray(np.median(axes_mps2[rest], axis=0))
    return np.asarray(np.median(axes_mps2, axis=0))


def _windows(values: Array, count: int) -> tuple[Array, Array]:
    """Return mean and total standard deviation of every stretch of `count` rows."""
    whole = slice(count // 2, count // 2 + max(values.shape[0] - count + 1, 0))
    centre = values.mean(axis=0)
    mean = uniform_filter1d(values - centre, count, axis=0)[whole]
    square = uniform_filter1d((values - centre) ** 2, count, axis=0)[whole]
    variance = np.maximum((square - mean**2).sum(axis=1), 1e-12)
    return mean + centre, np.sqrt(variance)


def _ups_at_stands(t_s: Array, axes_mps2: Array, fixes: Fixes) -> Array:
    """Return the direction of gravity in the quietest second of each stand, shape (n, 3)."""
    speed = np.interp(t_s, fixes.t_s, fixes.speed_mps, left=np.inf, right=np.inf)
    still = np.concatenate([[False], speed < _STAND_MPS, [False]])
    edges = np.flatnonzero(np.diff(still.astype(np.int8)))
    # the receiver is late and may hold zero after the launch: the quietest second of a stand counts
    count = max(4, round(1.0 / max(float(np.median(np.diff(t_s))), 1e-3)))
    mean, loud = _windows(axes_mps2, count)
    quietest = float(loud.min()) if loud.size else 0.0
    stands = []
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        if last - first <= count:
            continue
        best = first + int(np.argmin(loud[first : last - count + 1]))
        if loud[best] <= _QUIET * quietest:
            stands.append(mean[best])
    ups = np.array(stands).reshape(-1, 3)
    return np.asarray(ups / np.maximum(np.linalg.norm(ups, axis=1), 1e-9)[:, None])


def _tilt_deg(ups: Array, axis: Array) -> float:
    """Return the largest difference between stands of the tilt towards an axis [degrees]."""
    return float(np.degrees(np.ptp(np.arcsin(np.clip(ups @ axis, -1.0, 1.0)))))


def why_moved(
    t_s: Array, axes_mps2: Array, basis: Array, fixes: Fixes, lag_s: float, forward: Array
) -> str | None:
    """Return why the phone must have moved in its mount, or None.

    Parameters
    ----------
    t_s : array of shape (m,)
        Times of the samples on the clock of the fixes [s].
    axes_mps2 : array of shape (m, 3)
        As the device gave them [m/s2].
    basis : array of shape (3, k)
        Level axes in device axes; three where gravity was removed.
    fixes : Fixes
        Speed fixes.
    lag_s : float
        Lag of the fixes [s].
    forward : array of shape (k,)
        Forward axis in the level ones, of length 1.
    """
    if basis.shape[1] == 2:
        ups = _ups_at_stands(t_s, axes_mps2, fixes)
        if len(ups) > 1:
            along = basis @ forward
            across = basis @ np.array([-forward[1], forward[0]])
            slope_deg, crossfall_deg = _tilt_deg(ups, along), _tilt_deg(ups, across)
            if slope_deg > _SLOPE_DEG or crossfall_deg > _CROSSFALL_DEG:
                return (
                    f"it turned by {slope_deg:.1f} degrees along and {crossfall_deg:.1f} across the "
                    "vehicle between two stands, more than roads tilt: the phone moved in its mount"
                )
    turned_deg = _turned_deg(t_s, axes_mps2 @ basis, fixes, lag_s)
    if turned_deg > _ELSEWHERE_DEG:
        return (
            f"its forward axis turned by {turned_deg:.0f} degrees within the recording: "
            "the phone moved in its mount"
        )
    return None


def _turned_deg(t_s: Array, level_mps2: Array, fixes: Fixes, lag_s: float) -> float:
    """Return the largest sure angle between the forward axes of parts of a recording [degrees]."""
    found = []
    step_s = float(np.median(np.diff(fixes.t_s)))
    # changes of speed are taken about every second
    count = int(np.clip(fixes.t_s.size * min(step_s, 1.0) // _PART, 1, _MOST_PARTS))
    for index in np.array_split(np.arange(fixes.t_s.size), count):
        axis = forward_axis(fixes.t_s[index], fixes.speed_mps[index], t_s, level_mps2, lag_s)
        if axis is not None and axis.explained >= _EXPLAINED:
            found.append(axis)
    largest = 0.0
    for at, one in enumerate(found):
        for other in found[:at]:
            angle = float(np.arccos(np.clip(one.direction @ other.direction, -1.0, 1.0)))
            if angle > _SURE_SD * float(np.hypot(one.sd_rad, other.sd_rad)):
                largest = max(largest, float(np.degrees(angle)))
    return largest
