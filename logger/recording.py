"""`Recording`: what one phone recorded, in SI units, with its clocks, findings and history."""

from __future__ import annotations

import weakref
from dataclasses import dataclass, field
from typing import Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

from logger.findings import Finding
from logger.scans import all_finite, is_rising

__all__ = ["CHANNEL_NAMES", "Channel", "Clock", "Event", "Recording", "Source", "Step"]

#: Numeric channels: the own table's column names without the two time stamps, mark and event.
CHANNEL_NAMES: tuple[str, ...] = (
    "latitude_deg",
    "longitude_deg",
    "elevation_m",
    "place_m",
    "position_accuracy_m",
    "speed_mps",
    "speed_accuracy_mps",
    "heading_deg",
    "accel_x_mps2",
    "accel_y_mps2",
    "accel_z_mps2",
    "up_x",
    "up_y",
    "up_z",
    "rotation_x_radps",
    "rotation_y_radps",
    "rotation_z_radps",
    "engine_speed_rpm",
    "throttle_percent",
    "throttle_volts",
)

ClockKind = Literal["epoch", "elapsed", "time_of_day"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """One time base inside a recording.

    Parameters
    ----------
    kind : {"epoch", "elapsed", "time_of_day"}
        Epoch: zero is a known instant. Elapsed: seconds since some unknown moment (start, boot).
    epoch_s : float or None
        UTC seconds since 1970 of this clock's zero; None when unknown.
    described : str
        The source's own words, for example ``timestamp_ms (epoch, ms)``.
    """

    kind: ClockKind
    epoch_s: float | None
    described: str


_Scalar = TypeVar("_Scalar", bound=np.generic)


def _frozen(array: NDArray[np.generic], dtype: type[_Scalar]) -> NDArray[_Scalar]:
    """Return a read-only copy, or the array itself where nobody can write to it any more."""
    kept = np.asarray(array, dtype=dtype)
    if kept.flags.writeable or kept.base is not None:
        kept = kept.copy()
        kept.setflags(write=False)
    return kept


#: The read-only times that were found to rise last: the channels of a table share them.
_known_times: list[weakref.ref[NDArray[np.float64]]] = []


def _times_are_known(t_s: NDArray[np.float64]) -> bool:
    """Return whether these very times, which nobody can write to, were looked at already."""
    return bool(_known_times) and _known_times[0]() is t_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """Samples of one quantity in SI units, times strictly increasing.

    Parameters
    ----------
    name : str
        One of `CHANNEL_NAMES`.
    t_s : array of shape (n,)
        Times on the channel's clock [s]; finite and strictly increasing.
    values : array of shape (n,)
        Finite values in the unit that the name ends in.
    clock : int
        Index into `Recording.clocks`.
    suspect : array of bool of shape (n,)
        True where the sample stands in the file but is no measurement of its moment (a repeated
        fix, a false spike, speed 0 while the position moves). Each kind is named in a finding.
    source_file, source_header, source_unit : str
        Where the values came from, in the source's own words.
    arrived_s : array of shape (n,) or None
        When each sample reached the recording program, on the same clock; None when unknown.
    """

    name: str
    t_s: NDArray[np.float64]
    values: NDArray[np.float64]
    clock: int = 0
    suspect: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, dtype=bool))
    source_file: str = ""
    source_header: str = ""
    source_unit: str = ""
    arrived_s: NDArray[np.float64] | None = None

    def __post_init__(self) -> None:
        t_s = _frozen(self.t_s, np.float64)
        values = _frozen(self.values, np.float64)
        suspect = _frozen(self.suspect, np.bool_)
        if suspect.size == 0 and t_s.size:
            suspect = np.zeros(t_s.shape, dtype=bool)
        if self.name not in CHANNEL_NAMES:
            msg = f"unknown channel {self.name!r}; known: {', '.join(CHANNEL_NAMES)}"
            raise ValueError(msg)
        if t_s.ndim != 1 or values.shape != t_s.shape or suspect.shape != t_s.shape:
            msg = f"channel {self.name}: t_s, values and suspect must be one-dimensional and equal in length"
            raise ValueError(msg)
        if not ((_times_are_known(t_s) or all_finite(t_s)) and all_finite(values)):
            msg = f"channel {self.name}: times and values must be finite"
            raise ValueError(msg)
        if not (_times_are_known(t_s) or is_rising(t_s)):
            msg = f"channel {self.name}: times must be strictly increasing"
            raise ValueError(msg)
        _known_times[:] = [weakref.ref(t_s)]
        suspect.setflags(write=False)
        object.__setattr__(self, "t_s", t_s)
        object.__setattr__(self, "values", values)
        object.__setattr__(self, "suspect", suspect)
        if self.arrived_s is not None:
            object.__setattr__(self, "arrived_s", _frozen(self.arrived_s, np.float64))

    @property
    def rate_hz(self) -> float | None:
        """Samples per second from the median step [Hz]; None with fewer than two samples."""
        if self.t_s.size < 2:
            return None
        return float(1.0 / np.median(np.diff(self.t_s)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """A text mark or program event; a hint for phases, never proof.

    Parameters
    ----------
    t_s : float
        Time on clock `clock` [s].
    kind : {"mark", "event"}
        Which column it stood in.
    text : str
        As written.
    """

    t_s: float
    kind: Literal["mark", "event"]
    text: str
    clock: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One file of a recording: its name, its format, and how many data rows it has."""

    path: str
    format: str
    rows: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step in the life of the data: what was done, with which settings and version."""

    step: str
    version: str
    settings: dict[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """Everything one phone recorded in one go; may hold one run or many.

    Times of all channels count from the first sample of the first file. Channels of files that
    share no clock stay on clocks of their own; analysis finds the shift from the signals.
    At most one channel of each name.
    """

    channels: tuple[Channel, ...]
    clocks: tuple[Clock, ...]
    events: tuple[Event, ...] = ()
    sources: tuple[Source, ...] = ()
    findings: tuple[Finding, ...] = ()
    history: tuple[Step, ...] = ()

    def __post_init__(self) -> None:
        names = [channel.name for channel in self.channels]
        if len(set(names)) != len(names):
            msg = f"a recording holds each channel once, got {', '.join(sorted(names))}"
            raise ValueError(msg)
        for channel in self.channels:
            if not 0 <= channel.clock < len(self.clocks):
                msg = f"channel {channel.name}: clock {channel.clock} of {len(self.clocks)}"
                raise ValueError(msg)

    def channel(self, name: str) -> Channel | None:
        """Return the channel called `name`, or None where the recording has none."""
        for channel in self.channels:
            if channel.name == name:
                return channel
        return None

    @property
    def duration_s(self) -> float:
        """Longest span between the first and last sample on any one clock [s]."""
        spans = [0.0]
        for clock in range(len(self.clocks)):
            ends = [c.t_s[[0, -1]] for c in self.channels if c.clock == clock and c.t_s.size]
            if ends:
                spans.append(float(max(e[1] for e in ends) - min(e[0] for e in ends)))
        return max(spans)
