"""When an outing took place, as its logs say, and when a report on it was made."""

from __future__ import annotations

import os
from collections.abc import Sequence
from datetime import UTC, datetime

from analysis.pipeline import Analysis
from logger.errors import SessionError
from logger.findings import counted
from logger.recording import Recording

__all__ = ["day_text", "made_text", "outing_text"]

#: The moment that counts as now, in seconds since 1970, so that files can be compared
#: (https://reproducible-builds.org/specs/source-date-epoch/).
_NOW = "SOURCE_DATE_EPOCH"
#: Years that a phone's clock can be right in; others are a clock that was never set.
_YEARS = range(1990, 2100)
_MONTHS = "Jan Feb Mar Apr May June July Aug Sept Oct Nov Dec"


def made_text() -> str:
    """Return the moment of now as a report prints it, or that of ``SOURCE_DATE_EPOCH``.

    Returns
    -------
    str
        ``30 Nov 2026, 22:46 UTC+1``: local time, UTC where the variable is set.

    Raises
    ------
    SessionError
        The variable holds anything but whole seconds since 1970.
    """
    stated = os.environ.get(_NOW)
    if stated is None:
        return _moment(datetime.now().astimezone())
    try:
        return _moment(datetime.fromtimestamp(int(stated), UTC))
    except (ValueError, OverflowError, OSError) as error:
        expected = "whole seconds since 1970-01-01 UTC"
        raise SessionError(_NOW, "", repr(stated), expected, "Correct or unset it") from error


def outing_text(outcome: Analysis, *, dates: bool = True) -> str:
    """Return date, time and duration of the outing, by the clocks of its logs.

    Parameters
    ----------
    outcome : Analysis
        Of one session.
    dates : bool
        False for the duration alone.

    Returns
    -------
    str
        ``17 May 2025, 09:30 to 10:05 UTC+2, 21 min recorded``: the local time of this computer, or
        UTC where ``SOURCE_DATE_EPOCH`` is set; without logs that know their date the duration alone.
    """
    spans = [span for recording in outcome.recordings for span in _spans(recording)]
    recorded_s = sum(end - start for start, end, _ in spans)
    recorded = f"{_duration(recorded_s)} recorded"
    dated = [(start, end) for start, end, known in spans if known] if dates else []
    if not dated:
        return recorded
    zone = UTC if os.environ.get(_NOW) else None
    first = datetime.fromtimestamp(min(start for start, _ in dated), zone).astimezone(zone)
    last = datetime.fromtimestamp(max(end for _, end in dated), zone).astimezone(zone)
    until = f"{last:%H:%M}" if first.date() == last.date() else f"{_day(last)}, {last:%H:%M}"
    some = (
        ""
        if len(dated) == len(spans)
        else f" (by the {len(dated)} of {counted(len(spans), 'log')} with a date)"
    )
    return f"{_day(first)}, {first:%H:%M} to {until} {_zone(last)}{some}, {recorded}"


def day_text(outcome: Analysis) -> str:
    """Return the day on which an outing began, as ``17 May 2025``; "" where no log knows its date."""
    spans = [span for recording in outcome.recordings for span in _spans(recording)]
    zone = UTC if os.environ.get(_NOW) else None
    first_s = min((start for start, _, known in spans if known), default=None)
    return "" if first_s is None else _day(datetime.fromtimestamp(first_s, zone).astimezone(zone))


def _spans(recording: Recording) -> Sequence[tuple[float, float, bool]]:
    """Return start and end [s] of a recording, and whether they count from 1970; at most one."""
    ends = [
        (channel.clock, float(channel.t_s[0]), float(channel.t_s[-1]))
        for channel in recording.channels
        if channel.t_s.size
    ]
    if not ends:
        return []
    # a recording whose files share no clock is as long as the longest of them
    by_clock = {
        clock: (min(a for c, a, _ in ends if c == clock), max(b for c, _, b in ends if c == clock))
        for clock in {clock for clock, _, _ in ends}
    }
    for clock, (start, end) in sorted(by_clock.items()):
        zero_s = recording.clocks[clock].epoch_s
        if zero_s is not None and _plausible(zero_s + start) and _plausible(zero_s + end):
            return [(zero_s + start, zero_s + end, True)]
    start, end = max(by_clock.values(), key=lambda span: span[1] - span[0])
    return [(start, end, False)]


def _plausible(epoch_s: float) -> bool:
    return (
        datetime(_YEARS.start, 1, 1, tzinfo=UTC).timestamp()
        <= epoch_s
        < datetime(_YEARS.stop, 1, 1, tzinfo=UTC).timestamp()
    )


def _moment(at: datetime) -> str:
    return f"{_day(at)}, {at:%H:%M} {_zone(at)}"


def _day(at: datetime) -> str:
    """Return a date that nobody can read the wrong way round, in English whatever the locale."""
    return f"{at.day} {_MONTHS.split()[at.month - 1]} {at.year}"


def _zone(at: datetime) -> str:
    offset = at.utcoffset()
    minutes = 0 if offset is None else round(offset.total_seconds() / 60)
    if not minutes:
        return "UTC"
    hours, rest = divmod(abs(minutes), 60)
    sign = "+" if minutes > 0 else "-"
    return f"UTC{sign}{hours}{f':{rest:02d}' if rest else ''}"


def _duration(seconds: float) -> str:
    if seconds < 100:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 100 else f"{minutes // 60} h {minutes % 60:02d} min"
