"""Several files of one recording: on one clock where they share one, else on clocks of their own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from logger.findings import Finding
from logger.recording import Channel, Clock, Event, Recording, Source, Step
from logger.rows import Rows, Samples

__all__ = ["READER_VERSION", "LogFile", "join"]

#: Raised whenever the same file would be read differently.
READER_VERSION = "1"

#: Channels that belong together: they come from one file or from none.
_GROUPS = (
    (
        "latitude_deg",
        "longitude_deg",
        "elevation_m",
        "place_m",
        "position_accuracy_m",
        "heading_deg",
    ),
    ("speed_mps", "speed_accuracy_mps"),
    ("accel_x_mps2", "accel_y_mps2", "accel_z_mps2"),
    ("up_x", "up_y", "up_z"),
    ("rotation_x_radps", "rotation_y_radps", "rotation_z_radps"),
    ("engine_speed_rpm",),
    ("throttle_percent",),
    ("throttle_volts",),
)
#: Two elapsed clocks that both begin this near zero began together [s].
_NEAR_ZERO_S = 5.0
_OVERLAP = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class LogFile:
    """One file, parsed and settled."""

    rows: Rows
    samples: dict[str, Samples]
    findings: tuple[Finding, ...]

    @property
    def span_ns(self) -> tuple[int, int]:
        """First and last sample on the file's own clock [ns]."""
        first = min(float(s.t_s[0]) for s in self.samples.values())
        last = max(float(s.t_s[-1]) for s in self.samples.values())
        origin = self.rows.stamps.origin_ns
        return origin + round(first * 1e9), origin + round(last * 1e9)


@dataclass(slots=True, kw_only=True)
class _Base:
    """One clock under construction: its first file, and nanoseconds of its zero."""

    file: LogFile
    zero_ns: int


def join(files: Sequence[LogFile]) -> Recording:
    """Join the files of one recording.

    Parameters
    ----------
    files : sequence of LogFile
        At least one, each with at least one sample; the first one's clock is clock 0.

    Returns
    -------
    Recording
        Every channel once; the times of each clock count from the first sample of its first file.
    """
    bases: list[_Base] = []
    findings: list[Finding] = []
    clock_of: list[int] = []
    for file in files:
        clock = _find_base(bases, file, findings)
        if clock is None:
            bases.append(_Base(file=file, zero_ns=file.span_ns[0]))
            clock = len(bases) - 1
        clock_of.append(clock)
        shift_s = (file.rows.stamps.origin_ns - bases[clock].zero_ns) * 1e-9
        findings += [
            f if f.time_s is None else replace(f, time_s=f.time_s + shift_s) for f in file.findings
        ]
    taken = _choose(files, findings)
    channels: list[Channel] = []
    events: list[Event] = []
    for number, (file, clock) in enumerate(zip(files, clock_of, strict=True)):
        zero_ns = bases[clock].zero_ns
        shift_s = (file.rows.stamps.origin_ns - zero_ns) * 1e-9
        channels += [
            _channel(samples, shift_s, clock, file.rows.path)
            for name, samples in file.samples.items()
            if taken[name] == number
        ]
        stamps = file.rows.stamps.t_s
        events += [
            Event(
                t_s=float(stamps[mark.row]) + shift_s, kind=mark.kind, text=mark.text, clock=clock
            )
            for mark in file.rows.marks
            if np.isfinite(stamps[mark.row])
        ]
    return Recording(
        channels=tuple(channels),
        clocks=tuple(_clock(base) for base in bases),
        events=tuple(sorted(events, key=lambda event: (event.clock, event.t_s))),
        sources=tuple(
            Source(path=f.rows.path, format=f.rows.format, rows=f.rows.stamps.t_s.size)
            for f in files
        ),
        findings=tuple(findings),
        history=(
            Step(
                step="read",
                version=READER_VERSION,
                settings={
                    "files": [_name(f.rows.path) for f in files],
                    "formats": [f.rows.format for f in files],
                },
            ),
        ),
    )


def _name(path: str) -> str:
    """Return a file's name without its folders, which are nobody else's business."""
    return Path(path).name


def _channel(samples: Samples, shift_s: float, clock: int, path: str) -> Channel:
    t_s = samples.t_s + shift_s if shift_s else samples.t_s
    arrived_s = samples.arrived_s
    if arrived_s is not None and shift_s:
        arrived_s = arrived_s + shift_s
    arrays = [t_s, samples.values, *([] if arrived_s is None else [arrived_s])]
    for array in arrays:
        if array.base is None:
            array.setflags(write=False)  # nobody else holds them: shared, not copied
    suspect = samples.suspect if samples.suspect is not None else np.zeros(0, dtype=bool)
    return Channel(
        name=samples.name,
        t_s=t_s,
        values=samples.values,
        clock=clock,
        suspect=suspect,
        source_file=path,
        source_header=samples.header,
        source_unit=samples.unit,
        arrived_s=arrived_s,
    )


def _clock(base: _Base) -> Clock:
    stamps = base.file.rows.stamps
    known = stamps.kind == "epoch" and stamps.zone_known
    return Clock(
        kind=stamps.kind if stamps.kind != "epoch" or known else "elapsed",
        epoch_s=base.zero_ns / 1e9 if known else None,
        described=stamps.described,
    )


def _overlap(a: LogFile, b: LogFile) -> float:
    """Return the shared part of the shorter file's span."""
    first_a, last_a = a.span_ns
    first_b, last_b = b.span_ns
    shared = min(last_a, last_b) - max(first_a, first_b)
    shorter = min(last_a - first_a, last_b - first_b)
    if shorter <= 0:
        return 1.0 if shared >= 0 else 0.0
    return shared / shorter


def _find_base(bases: list[_Base], file: LogFile, findings: list[Finding]) -> int | None:
    """Return the clock that a file shares, saying what was assumed; None where it shares none."""
    stamps = file.rows.stamps
    for number, base in enumerate(bases):
        other = base.file.rows.stamps
        if stamps.kind != other.kind:
            continue
        if stamps.kind == "epoch" and stamps.zone_known and other.zone_known:
            _zone_difference(base.file, file, findings)
            return number
        if stamps.kind == "epoch" and stamps.zone_known != other.zone_known:
            continue
        near_zero = max(abs(base.file.span_ns[0]), abs(file.span_ns[0])) < _NEAR_ZERO_S * 1e9
        if (stamps.kind == "elapsed" and near_zero) or _overlap(base.file, file) > _OVERLAP:
            findings.append(
                Finding(
                    kind="clock_assumed",
                    severity="note",
                    text=f"{_name(file.rows.path)} and {_name(base.file.rows.path)} are taken to count from the same "
                    "moment, since their times overlap; nothing in the files says so.",
                    path=file.rows.path,
                )
            )
            return number
    if bases:
        first = bases[0].file
        text = (
            f"{_name(first.rows.path)} and {_name(file.rows.path)} have no clock in common "
            f"({_start(first)} against {_start(file)})."
        )
        if stamps.kind == "epoch" and first.rows.stamps.kind == "epoch":
            text += " " + _hours_apart(first, file)
        findings.append(
            Finding(
                kind="two_clocks",
                # two dates that disagree are odd; a date beside a stop watch is how phones are, and
                # the signals show the shift or the accelerometer is refused
                severity="warning" if stamps.kind == first.rows.stamps.kind else "note",
                text=text + " The shift between them has to be found from the signals.",
                path=file.rows.path,
            )
        )
    return None


def _start(file: LogFile) -> str:
    return f"{file.rows.stamps.described} begins at {file.span_ns[0] / 1e9:.10g} s"


def _hours_apart(a: LogFile, b: LogFile) -> str:
    """Return which difference of zones, in half hours, would make two files overlap."""
    known = [f.rows.stamps.zone_known for f in (a, b)]
    which = "One names no time zone" if any(known) else "Neither names a time zone"
    hours = _zone_hours(a, b)
    if hours is None:
        return f"{which}."
    return f"{which}; a difference of {hours:g} h would bring them together."


def _zone_hours(a: LogFile, b: LogFile) -> float | None:
    """Return the difference of zones, in half hours, that would make two files overlap."""
    middle = (sum(a.span_ns) - sum(b.span_ns)) / 2e9
    half_hours = round(middle / 1800.0)
    shift_ns = half_hours * 1_800_000_000_000
    first_a, last_a = a.span_ns
    first_b, last_b = (edge + shift_ns for edge in b.span_ns)
    # +14 h against -12 h is the most that two clocks on earth can differ by
    if half_hours == 0 or abs(half_hours) > 52:
        return None
    return abs(half_hours) / 2 if min(last_a, last_b) > max(first_a, first_b) else None


def _zone_difference(a: LogFile, b: LogFile, findings: list[Finding]) -> None:
    if _overlap(a, b) > 0:
        return
    hours = _zone_hours(a, b)
    if hours is not None:
        findings.append(
            Finding(
                kind="zone_difference",
                severity="warning",
                text=f"{_name(a.rows.path)} and {_name(b.rows.path)} do not overlap, but would if their clocks "
                f"differed by {hours:g} h: one of them probably holds local time "
                "under the name of UTC.",
                path=b.rows.path,
            )
        )


def _choose(files: Sequence[LogFile], findings: list[Finding]) -> dict[str, int]:
    """Return which file gives each channel: of two, the one with more changes per second."""
    taken: dict[str, int] = {}
    for group in _GROUPS:
        owners = [k for k, file in enumerate(files) if any(name in file.samples for name in group)]
        if not owners:
            continue
        best = owners[0]
        if len(owners) > 1:
            best = max(owners, key=lambda k: (_changes_per_second(files[k], group), -k))
        for name in group:
            if name in files[best].samples:
                taken[name] = best
        lost = [k for k in owners if k != best]
        for k in lost:
            findings.append(
                Finding(
                    kind="channel_twice",
                    severity="note",
                    text=f"{_name(files[best].rows.path)} and {_name(files[k].rows.path)} both have "
                    f"{group[0].partition('_')[0]}; the first of them is used, which changes more "
                    "often.",
                    path=files[k].rows.path,
                )
            )
    for file in files:
        for name in file.samples:
            taken.setdefault(name, -1)
    return taken


def _changes_per_second(file: LogFile, group: tuple[str, ...]) -> float:
    samples = next((file.samples[name] for name in group if name in file.samples), None)
    if samples is None or samples.t_s.size < 2:
        return 0.0
    changes = int(np.count_nonzero(np.diff(samples.values)))
    return changes / float(samples.t_s[-1] - samples.t_s[0])
