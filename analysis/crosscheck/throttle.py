"""Full throttle, release and blips in the trace of a throttle sensor.

The driver opens the throttle fully to pull, lets go at the first gate, and while coasting marks the
later gates with short blips. Levels are found from the trace itself, so that volts or percent, offset
and an inverted sensor make no difference.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d

from logger.arrays import Array
from logger.errors import ReadError
from logger.tables.scope import Edge, Scope, Trace, find_edges

__all__ = ["ThrottleMarks", "choose_trace", "find_marks", "opening"]


#: A stretch of wide-open throttle at least this long is drive, a shorter one a blip [s].
_DRIVE_S = 0.8
#: Two stretches of drive this close are one pull with a gear change between [s].
_LIFT_S = 2.0
#: Closings and openings shorter than this are bounces of a contact or a worn track [s].
_BOUNCE_S = 0.08
#: Noise is averaged over this time at most [s]; pedals move more slowly.
_SMOOTH_S = 0.03
#: A blip opens the throttle by at least this share.
_LEAST_BLIP = 0.12
#: Levels of the throttle that opening and closing pass.
_LOW, _HIGH = 0.3, 0.7
#: A throttle swings by at least this much; below it a trace is noise [V, %].
_LEAST_SWING = {"V": 0.2, "%": 10.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class ThrottleMarks:
    """What the throttle shows of one run, on the oscilloscope's clock.

    Parameters
    ----------
    full : Edge
        Throttle opened for the pull.
    release : Edge
        Let go at its end; gear-change lifts lie between the two.
    blips : tuple of Edge
        Openings that mark gates during the coast-down, in order.
    lifts : int
        Gear-change lifts between `full` and `release`.
    """

    full: Edge
    release: Edge
    blips: tuple[Edge, ...]
    lifts: int = 0


def choose_trace(scope: Scope, channel: str | None = None) -> Trace:
    """Return the trace of the throttle: the named one, or the only one that a pull is found in.

    Raises
    ------
    ReadError
        No such channel, no pull in any, or pulls in several.
    """
    if channel is not None:
        return scope.trace(channel)
    if len(scope.traces) == 1:
        return scope.traces[0]
    fitting, reasons = [], []
    for trace in scope.traces:
        try:
            find_marks(trace, scope.path)
            fitting.append(trace)
        except ReadError as error:
            reasons.append(f"{trace.name}: {error.found}")
    if len(fitting) == 1:
        return fitting[0]
    names = ", ".join(trace.name for trace in fitting or scope.traces)
    found = (
        f"{len(fitting)} channels look like a throttle ({names})"
        if fitting
        else f"no channel looks like a throttle ({'; '.join(reasons)})"
    )
    raise ReadError(scope.path, found, "one", "Name it with --channel")


def opening(trace: Trace) -> tuple[Array, Array]:
    """Return times [s] and how far the throttle is open there, 0 idle to 1 full.

    Idle is the one of the two levels that the record begins and ends near and stays at for longer, by
    two of the three, so that a sensor whose voltage falls as the throttle opens comes out right.
    """
    known = np.isfinite(trace.values)
    t, v = trace.t_s[known], trace.values[known]
    step = float(np.median(np.diff(t))) if t.size > 1 else 1.0
    width = int(_SMOOTH_S / step) // 2 * 2 + 1
    if width > 1 and t.size > 3 * width:
        v = uniform_filter1d(v, width, mode="nearest")
    low, high = (float(x) for x in np.percentile(v, [1.0, 99.0]))
    if high <= low:
        return t, np.zeros(t.size)
    share = (v - low) / (high - low)
    # the levels themselves: medians of what is near each end
    low, high = float(np.median(v[share < 0.25])), float(np.median(v[share > 0.75]))
    share = (v - low) / (high - low)
    piece = max(v.size // 50, 1)
    votes = (
        np.median(share[:piece]) > 0.5, np.median(share[-piece:]) > 0.5, np.mean(share > 0.5) > 0.5
    )  # fmt: skip
    return t, (1.0 - share if sum(map(bool, votes)) >= 2 else share)


def find_marks(trace: Trace, path: str) -> ThrottleMarks:
    """Find full throttle, its release, and the blips after it.

    Parameters
    ----------
    trace : Trace
        Of a throttle sensor, in volts or percent.
    path : str
        For messages.

    Returns
    -------
    ThrottleMarks
        Of the longest pull in the record.

    Raises
    ------
    ReadError
        The voltage hardly changes, or there is no full throttle of at least 0.8 s that ends.
    """
    known = trace.values[np.isfinite(trace.values)]
    swing = float(np.ptp(np.percentile(known, [1.0, 99.0]))) if known.size else 0.0
    remedy = "Name the right channel with --channel, or give the moments with --marks"
    if swing < _LEAST_SWING[trace.unit]:
        raise ReadError(
            path,
            f"channel {trace.name!r} changes by {swing:.3g} {trace.unit} only",
            "the voltage of a throttle that is opened and closed",
            remedy,
        )
    t, share = opening(trace)
    plain = Trace(name=trace.name, unit="%", t_s=t, values=share)
    pieces = _open_stretches(find_edges(plain, _LOW, _HIGH))
    drives = [pair for pair in pieces if pair[1].t_s - pair[0].t_s >= _DRIVE_S]
    chains: list[list[tuple[Edge, Edge]]] = []
    for pair in drives:
        if chains and pair[0].t_s - chains[-1][-1][1].t_s <= _LIFT_S:
            chains[-1].append(pair)
        else:
            chains.append([pair])
    if not chains:
        raise ReadError(
            path,
            f"channel {trace.name!r} holds no full throttle of {_DRIVE_S:g} s or more that is released",
            "a pull: throttle opened, held, and released",
            remedy,
        )
    spans = [chain[-1][1].t_s - chain[0][0].t_s for chain in chains]
    best = int(np.argmax(spans))
    full, release = chains[best][0][0], chains[best][-1][1]
    until = chains[best + 1][0][0].t_s if best + 1 < len(chains) else float("inf")
    later = (t > release.t_s + 0.3) & (t < until - 0.3)
    blips = _blips(Trace(name=trace.name, unit="%", t_s=t[later], values=share[later]))
    return ThrottleMarks(full=full, release=release, blips=blips, lifts=len(chains[best]) - 1)


def _open_stretches(edges: Sequence[Edge]) -> list[tuple[Edge, Edge]]:
    """Pair openings with closings; bounces, of either kind, are bridged."""
    pairs: list[tuple[Edge, Edge]] = []
    start: Edge | None = None
    for edge in edges:
        if edge.rising:
            start = edge
        elif start is not None:
            if pairs and start.t_s - pairs[-1][1].t_s < _BOUNCE_S:
                pairs[-1] = (pairs[-1][0], edge)
            else:
                pairs.append((start, edge))
            start = None
    return [pair for pair in pairs if pair[1].t_s - pair[0].t_s >= _BOUNCE_S]


def _blips(trace: Trace) -> tuple[Edge, ...]:
    """Return the openings of short stretches, which need not reach full throttle."""
    share = trace.values
    if share.size < 3:
        return ()
    rest = float(np.median(share))
    noise = 1.4826 * float(np.median(np.abs(share - rest)))
    level = max(_LEAST_BLIP, 6.0 * noise)
    pairs = _open_stretches(find_edges(trace, rest + 0.4 * level, rest + level))
    found = []
    for opened, closed in pairs:
        near = (trace.t_s > opened.t_s - 0.3) & (trace.t_s < closed.t_s)
        top = float(share[near].max()) - rest
        own = Trace(name=trace.name, unit="%", t_s=trace.t_s[near], values=share[near])
        half = [e for e in find_edges(own, rest + 0.3 * top, rest + 0.7 * top) if e.rising]
        found.append(half[0] if half else opened)
    return tuple(found)
