"""NMEA 0183: RMC, VTG and GGA sentences of any talker, checksums verified."""

from __future__ import annotations

import math
import re
from array import array
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from logger.errors import ReadError
from logger.findings import Finding, counted, first_few
from logger.rows import Column, Rows, Stamps
from logger.source import encoding_of
from logger.units import KNOT_MPS

__all__ = ["parse_nmea", "sniff_nmea"]

_DAY_NS = 86_400_000_000_000
#: A sentence may stand between binary data: it is found by its own marks, not by line ends.
_SENTENCE = re.compile(rb"\$([A-Z]{2}(?:RMC|VTG|GGA)),([^$*\r\n]*)(?:\*([0-9A-Fa-f]{2}))?")
#: Bytes between two reports of how far the reading is.
_REPORT_BYTES = 1 << 17
_SNIFF = re.compile(r"\$[A-Z]{2}[A-Z]{3},[^$*\n]*\*[0-9A-Fa-f]{2}")
_SNIFF_BARE = re.compile(r"(?:^|\n)\$G[A-Z](?:RMC|GGA|VTG),")
_UNITS = {
    "speed_mps": "kn",
    "elevation_m": "m",
    "latitude_deg": "deg",
    "longitude_deg": "deg",
    "heading_deg": "deg",
}
_TIME = re.compile(r"(\d{2})(\d{2})(\d{2})(?:\.(\d*))?")


@dataclass(slots=True, kw_only=True)
class _Fix:
    """What the sentences of one moment say together."""

    line: int
    time_ns: int  # since midnight
    date: str = ""
    values: dict[str, float] = field(default_factory=dict)


@dataclass(slots=True, kw_only=True)
class _State:
    path: str
    vtg_first: bool
    lines: array[int] = field(default_factory=lambda: array("q"))  # of the moments that are over
    times_ns: array[int] = field(default_factory=lambda: array("q"))
    dates: list[str] = field(default_factory=list)
    columns: dict[str, array[float]] = field(
        default_factory=lambda: {name: array("d") for name in _UNITS}
    )
    fix: _Fix | None = None  # the moment that the sentences are about
    waiting: dict[str, float] = field(default_factory=dict)  # of a VTG ahead of its moment
    bad_sum: list[int] = field(default_factory=list)
    no_sum: list[int] = field(default_factory=list)
    void: list[int] = field(default_factory=list)
    broken: list[int] = field(default_factory=list)
    void_time_ns: int | None = None
    void_last: bool = False  # the last moment was void: a VTG that follows belongs to it

    def close(self) -> None:
        """Put the moment that is over into the columns."""
        fix = self.fix
        if fix is None:
            return
        self.lines.append(fix.line)
        self.times_ns.append(fix.time_ns)
        # texts of one date are one object
        self.dates.append(self.dates[-1] if self.dates and self.dates[-1] == fix.date else fix.date)
        for name, column in self.columns.items():
            column.append(fix.values.get(name, math.nan))
        self.fix = None


def sniff_nmea(head: str) -> bool:
    """Return whether a text holds NMEA sentences."""
    return _SNIFF.search(head) is not None or _SNIFF_BARE.search(head) is not None


def _is_sum(sentence: bytes, stated: bytes) -> bool:
    total = 0
    for byte in sentence:
        total ^= byte
    return total == int(stated, 16)


def parse_nmea(path: str, data: bytes, *, advance: Callable[[int], None] | None = None) -> Rows:
    """Parse NMEA 0183 sentences.

    Parameters
    ----------
    path : str
        For messages.
    data : bytes
        Whole file; text or binary data between sentences is passed over.
    advance : callable, optional
        Called with the bytes that are done.

    Returns
    -------
    Rows
        One row per moment: speed from RMC or VTG (knots x 1852/3600), positions, height, course.
        Sentences without or with a wrong checksum, and void fixes, are counted and named.

    Raises
    ------
    ReadError
        No usable sentence.
    """
    encoding = encoding_of(data[:4096])
    if encoding.startswith("utf-16"):
        data = data.decode(encoding, errors="replace").encode("utf-8")
    state = _State(path=path, vtg_first=_vtg_comes_first(data))
    line = 1
    at = 0
    reported = 0
    for match in _SENTENCE.finditer(data):
        if advance is not None and match.start() - reported >= _REPORT_BYTES:
            reported = match.start()
            advance(reported)
        line += data.count(b"\n", at, match.start())
        at = match.start()
        _sentence(state, line, match)
    state.close()
    if not state.lines:
        raise _no_fixes(state)
    findings = _notes(state)
    stamps, notes = _stamps(state)
    findings += notes
    columns = tuple(
        Column(
            name=name,
            values=np.array(values),
            header="RMC, VTG" if name == "speed_mps" else "RMC, GGA",
            unit=_UNITS[name],
        )
        for name, values in sorted(state.columns.items())
        if np.isfinite(values).any()
    )
    return Rows(
        path=path,
        format="NMEA",
        stamps=stamps,
        columns=columns,
        lines=state.lines,
        findings=tuple(findings),
    )


def _vtg_comes_first(data: bytes) -> bool:
    """Return whether a VTG belongs to the moment after it: the log begins with one, ends with none.

    VTG carries no time of its own. Receivers send their sentences in one order again and again.
    """
    first = _SENTENCE.search(data)
    if first is None or first[1][2:] != b"VTG":
        return False
    return data.rfind(b"VTG,") < max(data.rfind(b"RMC,"), data.rfind(b"GGA,"))


def _sentence(state: _State, line: int, match: re.Match[bytes]) -> None:
    kind = match[1][2:].decode()
    body = match[2]
    if match[3] is None:
        # no sum: run together with the next sentence, cut off, or a sender without sums
        state.no_sum.append(line)
        return
    if not _is_sum(match[1] + b"," + body, match[3]):
        state.bad_sum.append(line)
        return
    try:
        fields = body.decode("ascii").split(",")
    except UnicodeDecodeError:
        state.broken.append(line)
        return
    try:
        if kind == "RMC":
            _rmc(state, line, fields)
        elif kind == "GGA":
            _gga(state, line, fields)
        else:
            _vtg(state, fields)
    except (ValueError, IndexError):
        state.broken.append(line)


def _time_ns(text: str) -> int:
    match = _TIME.fullmatch(text)
    if match is None:
        msg = f"no time: {text!r}"
        raise ValueError(msg)
    hours, minutes, seconds = int(match[1]), int(match[2]), int(match[3])
    if hours > 23 or minutes > 59 or seconds > 60:
        msg = f"no time: {text!r}"
        raise ValueError(msg)
    fraction = int((match[4] or "")[:9].ljust(9, "0"))
    return ((hours * 60 + minutes) * 60 + seconds) * 1_000_000_000 + fraction


def _number(text: str) -> float:
    value = float(text)
    if not np.isfinite(value) or "_" in text:
        msg = f"no number: {text!r}"
        raise ValueError(msg)
    return value


def _degrees(text: str, side: str, sides: str, limit: float) -> float:
    """Return ddmm.mmmm or dddmm.mmmm as degrees: the two digits before the dot are minutes."""
    whole, _, fraction = text.partition(".")
    value = int(whole[:-2] or "0") + _number(f"{whole[-2:]}.{fraction or '0'}") / 60.0
    if side not in sides or not value <= limit or not int(whole[-2:]) < 60 or "_" in text:
        msg = f"no angle: {text!r} {side!r}"
        raise ValueError(msg)
    return -value if side == sides[1] else value


def _fix_at(state: _State, line: int, time_ns: int) -> _Fix:
    """Return the fix of this moment; sentences of one moment follow each other."""
    state.void_last = False
    if state.fix is None or state.fix.time_ns != time_ns:
        state.close()
        state.fix = _Fix(line=line, time_ns=time_ns)
    for name, value in state.waiting.items():
        state.fix.values.setdefault(name, value)
    state.waiting = {}
    return state.fix


def _rmc(state: _State, line: int, fields: list[str]) -> None:
    status = fields[1]
    # fields 11 and 12 are mode and, since version 4.1, navigational status: not the fix status
    mode = fields[11] if len(fields) > 11 else ""
    if status != "A" or mode == "N":
        state.void.append(line)
        state.waiting = {}
        state.void_time_ns = _time_ns(fields[0]) if fields[0] else None
        state.void_last = True
        return
    time_ns = _time_ns(fields[0])
    values: dict[str, float] = {}
    if fields[2] and fields[4]:
        values["latitude_deg"] = _degrees(fields[2], fields[3], "NS", 90.0)
        values["longitude_deg"] = _degrees(fields[4], fields[5], "EW", 180.0)
    if fields[6]:
        values["speed_mps"] = _number(fields[6]) * KNOT_MPS
    if fields[7]:
        values["heading_deg"] = _number(fields[7])
    if not values:
        state.void.append(line)
        state.void_last = True
        return
    fix = _fix_at(state, line, time_ns)
    if "speed_mps" in values and "speed_mps" not in fix.values:
        fix.line = line
    fix.date = fields[8] if re.fullmatch(r"\d{6}", fields[8]) else fix.date
    fix.values.update(values)


def _gga(state: _State, line: int, fields: list[str]) -> None:
    if fields[5] in ("", "0") or not fields[1] or not fields[0]:
        state.waiting = {}
        return  # counted through the RMC of the same moment, if there is one
    time_ns = _time_ns(fields[0])
    if state.void_time_ns == time_ns:
        return
    latitude = _degrees(fields[1], fields[2], "NS", 90.0)
    longitude = _degrees(fields[3], fields[4], "EW", 180.0)
    elevation = _number(fields[8]) if fields[8] else None
    fix = _fix_at(state, line, time_ns)
    fix.values.setdefault("latitude_deg", latitude)
    fix.values.setdefault("longitude_deg", longitude)
    if elevation is not None:
        fix.values["elevation_m"] = elevation


def _vtg(state: _State, fields: list[str]) -> None:
    """Add speed and course to the moment before, or after where the log has it so."""
    if len(fields) > 8 and fields[8] == "N":
        return
    values: dict[str, float] = {}
    if fields[4]:
        values["speed_mps"] = _number(fields[4]) * KNOT_MPS
    elif fields[6]:
        values["speed_mps"] = _number(fields[6]) / 3.6
    if fields[0]:
        values["heading_deg"] = _number(fields[0])
    if state.vtg_first:
        state.waiting = values
        return
    if state.fix is None or state.void_last or "speed_mps" in state.fix.values:
        return
    for name, value in values.items():
        state.fix.values.setdefault(name, value)


def _no_fixes(state: _State) -> ReadError:
    counts = [
        (len(state.void), "void"),
        (len(state.bad_sum), "with a wrong checksum"),
        (len(state.no_sum), "without a checksum"),
        (len(state.broken), "unreadable"),
    ]
    said = ", ".join(f"{count} {what}" for count, what in counts if count)
    lines = [*state.void, *state.bad_sum, *state.no_sum, *state.broken]
    return ReadError(
        state.path,
        "no usable NMEA fix" + (f" (sentences: {said})" if said else ": no RMC or GGA sentence"),
        "RMC sentences with status A and a right checksum",
        "Record again with a view of the sky",
        line=min(lines) if lines else None,
    )


def _date_days(text: str) -> int | None:
    """Return days since 1970 of ddmmyy; two-digit years are 1980 to 2079 as receivers use them."""
    year = int(text[4:])
    try:
        day = np.datetime64(f"{year + (1900 if year >= 80 else 2000)}-{text[2:4]}-{text[:2]}", "D")
    except ValueError:
        return None
    return int(day.astype(np.int64))


def _stamps(state: _State) -> tuple[Stamps, list[Finding]]:
    """Put dates on times of day: RMC names the date, GGA gets the one that keeps time running."""
    findings: list[Finding] = []
    known: dict[str, int | None] = {text: _date_days(text) for text in set(state.dates) if text}
    days = [known.get(text) for text in state.dates]
    first = next((day for day in days if day is not None), None)
    ns = array("q")
    day = (first or 0) - _midnights_before_date(state, days)
    last: int | None = None
    for time_ns, own in zip(state.times_ns, days, strict=True):
        if own is not None:
            day = own
        moment = day * _DAY_NS + time_ns
        if own is None and last is not None:
            if moment < last - _DAY_NS // 2:
                day += 1
                moment += _DAY_NS
            elif moment > last + _DAY_NS // 2 and last % _DAY_NS < _DAY_NS // 2:
                moment -= _DAY_NS
        ns.append(moment)
        last = moment
    origin = ns[0]
    t_s = (np.array(ns) - origin) * 1e-9
    if first is None:
        findings.append(
            Finding(
                kind="date_unknown",
                severity="note",
                text="No sentence names a date; the times of day are used as they are.",
                path=state.path,
            )
        )
        return Stamps(
            t_s=t_s, origin_ns=origin, kind="time_of_day", described="NMEA time of day"
        ), findings
    return Stamps(t_s=t_s, origin_ns=origin, kind="epoch", described="NMEA date and time"), findings


def _midnights_before_date(state: _State, days: list[int | None]) -> int:
    """Count the midnights between the first moment and the first one with a date."""
    count = 0
    for (before_ns, time_ns), own in zip(pairwise(state.times_ns), days, strict=False):
        if own is not None:
            return count
        count += time_ns < before_ns - _DAY_NS // 2
    return count if days and days[-1] is not None else 0


def _notes(state: _State) -> list[Finding]:
    said = (
        ("void_fix", state.void, "void: the receiver had no fix"),
        ("wrong_checksum", state.bad_sum, "damaged: the checksum is wrong"),
        ("no_checksum", state.no_sum, "incomplete: no checksum at the end"),
        ("broken_sentence", state.broken, "not as the standard has it"),
    )
    return [
        Finding(
            kind=kind,
            severity="warning",
            text=f"Left out: {counted(len(lines), 'sentence')}, {why} (line {first_few(lines)}).",
            path=state.path,
            line=lines[0],
            count=len(lines),
        )
        for kind, lines, why in said
        if lines
    ]
