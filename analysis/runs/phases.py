"""Find what the vehicle was doing: pulls, coast-downs, brakes, stops; and group them into runs.

All thresholds are in m/s, m/s2 and seconds and stand at the top. With an accelerometer edges are
found to about 0.1 s; with GPS alone to about a second, and wider margins are left out.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, uniform_filter1d

from analysis.runs.release import release_of
from analysis.runs.run import Phase, PhaseKind, Run
from analysis.signals.smoothing import Fused
from logger.arrays import Array

__all__ = ["find_runs"]

_STAND_MPS = 0.5
#: A stretch accelerates where the 1 s mean is above this [m/s2].
_ACCELERATES = 0.30
#: Stretches of acceleration this close together are one pull with a gear change between [s].
_GEAR_CHANGE_S = 2.2
#: A pull gains at least this speed [m/s] and this share of the recording's top speed.
_PULL_GAIN_MPS = 3.0
_PULL_GAIN_SHARE = 0.30
#: ... or, where it begins above this speed [m/s] (100 km/h), this share of the top speed's kinetic energy:
#: at nearly constant power a gain of energy takes the same time at any speed.
_FAST_MPS, _FAST_ENERGY_SHARE = 100.0 / 3.6, 0.2
#: A coast-down lasts at least this long [s] and loses at least this much [m/s].
_COAST_S = 5.0
_COAST_LOSS_MPS = 2.0
#: What lasts this long [s] and loses this much [m/s] is named even where it is too little to be used.
_NAMED_S, _NAMED_LOSS_MPS = 10.0, 1.5
#: A launch whose 1 s mean stays above this [m/s2] is named where the log has none that is stronger.
_WEAK = 0.10
#: No vehicle in neutral slows by more than this [m/s2], and by this times the speed squared for air:
#: 0.0015/m is a motorcycle of 260 kg with a drag area of 0.65 m2.
_COAST_STEEPEST, _COAST_AIR = 1.6, 0.0015
_COAST_LOWEST_MPS = 1.5
#: A mean this much below the coast-down's own trend over this long is the brake [m/s2], [s].
_BRAKE_STEP = 0.25
_BRAKE_S = 1.5


def _stretches(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return (first, last) indices of each stretch of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _robust_sd(away: Array) -> float:
    """Return the sd of what lies about 0, from its median size: 1.4826 of it if normal."""
    return 1.4826 * float(np.median(np.abs(away)))


def _mean_over(values: Array, half: int) -> Array:
    """Return the centred running mean over 2 half + 1 samples, shorter at the ends."""
    size = 2 * half + 1
    inside = uniform_filter1d(np.ones(values.size), size, mode="constant")
    return np.asarray(uniform_filter1d(values, size, mode="constant") / inside)


def _extreme_before_after(values: Array, width: int) -> tuple[Array, Array]:
    """Return the largest value of the `width` samples up to and from each sample."""

    def largest(origin: int) -> Array:
        found = maximum_filter1d(values, width + 1, mode="constant", cval=-np.inf, origin=origin)
        return np.asarray(found)

    return largest(width // 2), largest(-((width + 1) // 2))


class _Piece:
    """One unbroken stretch of a curve on an even grid, with the means that the rules look at."""

    def __init__(self, time_s: Array, speed: Array, accel: Array, fine: bool) -> None:
        self.t, self.v, self.a, self.fine = time_s, speed, accel, fine
        self.step = float(np.median(np.diff(time_s))) if time_s.size > 1 else 0.1
        self.slow = _mean_over(accel, max(1, round(0.5 / self.step)))

    def index(self, time_s: float) -> int:
        return int(np.clip(np.searchsorted(self.t, time_s), 0, self.t.size - 1))

    def phase(self, kind: PhaseKind, first: int, last: int, **more: object) -> Phase:
        return Phase(
            kind=kind,
            start_s=float(self.t[first]),
            end_s=float(self.t[last]),
            from_mps=max(float(self.v[first]), 0.0),
            to_mps=max(float(self.v[last]), 0.0),
            **more,  # type: ignore[arg-type]  # used, why_not, gear_pieces_s by name
        )


def _pull_candidates(piece: _Piece, top_mps: float) -> list[tuple[int, int]]:
    """Return index pairs of stretches that accelerate, gear changes bridged."""
    joined: list[tuple[int, int]] = []
    for first, last in _stretches(piece.slow > _ACCELERATES):
        if joined:
            before = joined[-1][1]
            gap_s = float(piece.t[first] - piece.t[before])
            lost = float(piece.v[before] - piece.v[first])
            if gap_s <= _GEAR_CHANGE_S and lost < 1.0 and piece.v[before] > 2.0:
                joined[-1] = (joined[-1][0], last)
                continue
        joined.append((first, last))
    found = []
    for a, b in joined:
        from_mps, to_mps = float(piece.v[a]), float(piece.v[b])
        energy = (to_mps**2 - from_mps**2) / max(top_mps, 1.0) ** 2
        fast = from_mps >= _FAST_MPS and energy >= _FAST_ENERGY_SHARE
        if to_mps - from_mps >= (
            _PULL_GAIN_MPS if fast else max(_PULL_GAIN_MPS, _PULL_GAIN_SHARE * top_mps)
        ):
            found.append((a, b))
    return found


def _gear_pieces(
    piece: _Piece, first: int, release: int, blur_s: float
) -> tuple[tuple[float, float], ...]:
    """Cut a pull at its gear changes; return (start, end) of each stretch of drive [s].

    A gear change is a dip of the acceleration, averaged over about its length, far below the level
    on both sides and well outside the noise.
    """
    depth, window_s, mean_s = (0.45, 1.5, 0.4) if piece.fine else (0.8, 2.5, 0.4)
    t = piece.t[first : release + 1]
    if t.size < 5:
        return ()
    a = _mean_over(piece.a, max(1, round(0.5 * mean_s / piece.step)))[first : release + 1]
    slow = piece.slow[first : release + 1]
    left, right = _extreme_before_after(slow, max(1, round(window_s / piece.step)))
    level = np.minimum(left, right)
    noise = _robust_sd(a - slow)
    margin = (0.12 if noise < 0.12 else 0.25) if piece.fine else 0.7
    clear = (a < depth * level) & ((level - a > 4.0 * noise) | (not piece.fine))
    cuts: list[tuple[float, float]] = []
    for i, j in _stretches(clear):
        if piece.fine and t[j] - t[i] < 0.1:
            continue
        low = int(np.argmin(a[i : j + 1])) + i
        # half-way between bottom and level is where the drive broke off, whatever the averaging
        before, after = 0.5 * (left[low] + a[low]), 0.5 * (right[low] + a[low])
        i = j = low
        while i > 0 and a[i] < before and t[j] - t[i] < _GEAR_CHANGE_S:
            i -= 1
        while j < a.size - 1 and a[j] < after and t[j] - t[i] < _GEAR_CHANGE_S:
            j += 1
        if cuts and t[i] - margin <= cuts[-1][1]:
            cuts[-1] = (cuts[-1][0], float(t[j]) + margin)
        else:
            cuts.append((float(t[i]) - margin, float(t[j]) + margin))
    start = float(t[0])
    # the drive counts from where the clutch has taken up: near the strongest of the next second
    rising = np.flatnonzero(a >= 0.8 * right)
    if rising.size:
        start = float(t[rising[0]])
    end_margin = 0.5 * blur_s + (0.12 if noise < 0.12 else 0.25) if piece.fine else 1.0
    edges = [start + margin, *[e for cut in cuts for e in cut], float(t[-1]) - end_margin]
    pieces = [(edges[i], edges[i + 1]) for i in range(0, len(edges), 2)]
    shortest = 0.5 if piece.fine else 1.0
    return tuple((a_s, b_s) for a_s, b_s in pieces if b_s - a_s >= shortest)


def _trend(speed: Array, accel: Array) -> Array:
    """Fit `a = -(c0 + c1 v^2)` robustly and return it at every sample."""
    basis = np.column_stack([np.ones(speed.size), speed**2])
    weight = np.ones(speed.size)
    for _ in range(6):
        solution, *_ = np.linalg.lstsq(basis * weight[:, None], accel * weight, rcond=None)
        miss = accel - basis @ solution
        scale = max(_robust_sd(miss), 0.02)
        weight = np.sqrt(1.0 / (1.0 + (miss / (2.0 * scale)) ** 2))
    return np.asarray(basis @ solution)


def _coast_end(piece: _Piece, first: int, last: int) -> int:
    """Return where a coast-down that starts at `first` is ended by brake, drive or standstill.

    The trend is fitted to what is still taken for coasting; the first stretch whose mean lies
    clearly below it, well outside its own noise, is the brake. Repeated with the shortened stretch
    until nothing moves. The onset is where the half-second mean leaves the trend.
    """
    slow = piece.slow[first : last + 1]
    v = piece.v[first : last + 1]
    wide = _mean_over(piece.a[first : last + 1], max(1, round(0.5 * _BRAKE_S / piece.step)))
    over = np.flatnonzero(
        (wide > 0.25) | (wide < -_COAST_STEEPEST - _COAST_AIR * v**2) | (v < _COAST_LOWEST_MPS)
    )
    end = int(over[0]) if over.size else slow.size - 1
    hold = max(1, round(_BRAKE_S / piece.step))
    half = max(1, round(0.25 / piece.step))
    quick = _mean_over(piece.a[first : last + 1], half)
    for _ in range(5):
        if end < round(2.0 / piece.step):
            break
        away = wide[: end + 1] - _trend(v[: end + 1], slow[: end + 1])
        noise = _robust_sd(away)
        limit = max(_BRAKE_STEP, 4.5 * noise)
        below = [i for i, j in _stretches(away < -limit) if j - i + 1 >= half]
        if not below:
            break
        onset = below[0]
        back = quick[: end + 1] - _trend(v[: end + 1], slow[: end + 1])
        limit_back = max(0.5 * limit, 3.0 * _robust_sd(back))
        while onset > 0 and back[onset] < -limit_back and below[0] - onset < hold:
            onset -= 1
        end = onset
    return first + max(end - 2 * half, 0)


def find_runs(fused: Fused, log: int = 0) -> tuple[Run, ...]:
    """Find pulls and coast-downs in one recording and group them into runs.

    Parameters
    ----------
    fused : Fused
        From `fuse`; without a curve there are no runs.
    log : int
        Index of the recording.

    Returns
    -------
    tuple of Run
        Numbered from 0 within the recording, directions not yet known.
    """
    curve = fused.curve
    if curve is None:
        return ()
    good = np.isfinite(curve.speed_mps)
    top_mps = float(np.nanmax(curve.speed_mps)) if good.any() else 0.0
    runs: list[Run] = []
    for first, last in _stretches(good):
        if last - first < 10:
            continue
        use = slice(first, last + 1)
        piece = _Piece(curve.time_s[use], curve.speed_mps[use], curve.accel_mps2[use], fused.fine)
        for phases in _runs_of_piece(piece, top_mps):
            runs.append(Run(log=log, number=len(runs), direction=None, phases=phases))
    return tuple(runs)


def _runs_of_piece(piece: _Piece, top_mps: float) -> list[tuple[Phase, ...]]:
    pulls = _pull_candidates(piece, top_mps)
    found: list[tuple[Phase, ...]] = [] if pulls else _weak_launches(piece, top_mps)
    free = 0
    for number, (first, last) in enumerate(pulls):
        found += _lone_coasts(piece, free, first)
        release, blur_s = release_of(piece.a, piece.step, first, last, fine=piece.fine)
        limit = pulls[number + 1][0] if number + 1 < len(pulls) else piece.t.size - 1
        phases, free = _pull_and_coast(piece, first, release, blur_s, limit)
        found.append(phases)
    found += _lone_coasts(piece, free, piece.t.size - 1)
    return sorted(found, key=lambda phases: phases[0].start_s)


def _weak_launches(piece: _Piece, top_mps: float) -> list[tuple[Phase, ...]]:
    """Name launches from standstill that are too weak to be told from a slope."""
    found: list[tuple[Phase, ...]] = []
    for first, last in _stretches(piece.slow > _WEAK):
        gain = float(piece.v[last] - piece.v[first])
        if piece.v[first] < _STAND_MPS and gain >= max(_PULL_GAIN_MPS, _PULL_GAIN_SHARE * top_mps):
            why = (
                f"it accelerates by {gain / float(piece.t[last] - piece.t[first]):.2f} m/s2 on average, "
                f"where {_ACCELERATES:.2f} are the least that is looked at as full throttle"
            )
            found.append((piece.phase("pull", first, last, used=False, why_not=why),))
    return found


def _pull_and_coast(
    piece: _Piece, first: int, release: int, blur_s: float, limit: int
) -> tuple[tuple[Phase, ...], int]:
    """Return the phases of a pull and of what follows it, and the index after them."""
    gears = _gear_pieces(piece, first, release, blur_s)
    cut_off = release >= piece.t.size - round(0.5 / piece.step) - 1
    phases: list[Phase] = []
    rest = np.flatnonzero(piece.v[:first] < _STAND_MPS)
    if rest.size and first - rest[-1] <= round(3.0 / piece.step):
        stop = rest[-1]
        begin = stop
        while begin > 0 and piece.v[begin - 1] < _STAND_MPS:
            begin -= 1
        if stop > begin:
            phases.append(piece.phase("stand", begin, stop))
        first = min(stop, first)
    why = None if gears else "no stretch of steady full drive long enough was found in it"
    if cut_off and gears:
        gears = (*gears[:-1], (gears[-1][0], float(piece.t[-1])))
    phases.append(
        piece.phase("pull", first, release, used=bool(gears), why_not=why, gear_pieces_s=gears)
    )
    settle = round((0.9 if piece.fine else 2.0) / piece.step)
    start = min(release + settle, piece.t.size - 1)
    coast, after = _coast(piece, start, limit)
    end = release
    if coast is not None:
        phases.append(coast)
        end = after
        phases += _braking(piece, after, limit)
        if phases[-1].kind != "coast":
            end = piece.index(phases[-1].end_s)
    return tuple(phases), end + 1


def _coast(piece: _Piece, start: int, limit: int) -> tuple[Phase | None, int]:
    end = _coast_end(piece, start, limit)
    length_s, lost_mps = float(piece.t[end] - piece.t[start]), float(piece.v[start] - piece.v[end])
    if length_s >= _NAMED_S and _NAMED_LOSS_MPS <= lost_mps < _COAST_LOSS_MPS:
        why = (
            f"it loses {3.6 * lost_mps:.1f} km/h in {length_s:.0f} s, where a coast-down loses at least "
            f"{3.6 * _COAST_LOSS_MPS:.1f} km/h; coast on for longer"
        )
        return piece.phase("coast", start, end, used=False, why_not=why), end
    if length_s < _COAST_S or lost_mps < _COAST_LOSS_MPS:
        return None, start
    return piece.phase("coast", start, end), end


def _lone_coasts(piece: _Piece, first: int, last: int) -> list[tuple[Phase, ...]]:
    """Return coast-downs between `first` and `last` that no pull precedes."""
    found: list[tuple[Phase, ...]] = []
    window = slice(first, last + 1)
    slow = piece.slow[window]
    speed = piece.v[window]
    least = -_COAST_STEEPEST - _COAST_AIR * speed**2
    rolls = (slow < 0.05) & (slow > least) & (speed > _COAST_LOWEST_MPS)
    for i, j in _stretches(rolls):
        start = first + i
        while start < first + j:
            coast, end = _coast(piece, start, first + j)
            if coast is None:
                break
            # drop a level part in front, where the vehicle was still driven
            found.append((coast, *_braking(piece, end, last)))
            start = end + round(2.0 / piece.step)
    return found


def _braking(piece: _Piece, first: int, limit: int) -> list[Phase]:
    """Return the brake phase after `first`, if the vehicle brakes there, and the stop after it."""
    v = piece.v[first : limit + 1]
    if v.size < 3:
        return []
    slows = piece.slow[first : limit + 1] < -0.1
    start = int(np.argmax(slows)) if slows[: round(2.0 / piece.step)].any() else -1
    if start < 0:
        return []
    go_on = np.flatnonzero(~slows[start:] | (v[start:] < _STAND_MPS))
    end = start + (int(go_on[0]) if go_on.size else slows.size - start - 1)
    if v[0] - v[end] < 1.0:
        return []
    phases = [piece.phase("brake", first, first + end)]
    still = np.flatnonzero(v[end:] >= _STAND_MPS)
    stop = end + (int(still[0]) - 1 if still.size else v.size - end - 1)
    if stop > end and v[end] < _STAND_MPS:
        phases.append(piece.phase("stand", first + end, first + stop))
    return phases
