"""NMEA 0183: RMC, VTG and GGA sentences of any talker, checksums verified."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np

from logger.errors import ReadError
from logger.findings import Finding, counted
from logger.rows import Column, Rows, Stamps
from logger.source import encoding_of
from logger.units import KNOT_MPS

__all__ = ["parse_nmea", "sniff_nmea"]

_DAY_NS = 86_400_000_000_000
#: A sentence may stand between binary data: it is found by its own marks, not by line ends.
_SENTENCE = re.compile(rb"\$([A-Z]{2}(?:RMC|VTG|GGA)),([^$*\r\n]*)(?:\*([0-9A-Fa-f]{2}))?")
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


@dataclass(slots=True)
class _Fix:
    """What the sentences of one moment say together."""

    line: int
    time_ns: int  # since midnight
    date: str = ""
    values: dict[str, float] = field(default_factory=dict)


@dataclass(slots=True)
class _State:
    path: str
    fixes: list[_Fix] = field(default_factory=list)
    bad_sum: list[int] = field(default_factory=list)
    no_sum: list[int] = field(default_factory=list)
    void: list[int] = field(default_factory=list)
    broken: list[int] = field(default_factory=list)
    void_time_ns: int | None = None
    void_last: bool = False  # the last moment was void: a VTG that follows belongs to it


def sniff_nmea(head: str) -> bool:
    """Tell whether a text holds NMEA sentences."""
    return _SNIFF.search(head) is not None or _SNIFF_BARE.search(head) is not None


def _is_sum(sentence: bytes, stated: bytes) -> bool:
    total = 0
    for byte in sentence:
        total ^= byte
    return total == int(stated, 16)


def parse_nmea(path: str, data: bytes) -> Rows:
    """Parse NMEA 0183 sentences.

    Parameters
    ----------
    path : str
        For messages.
    data : bytes
        Whole file; text or binary data between sentences is passed over.

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
    state = _State(path)
    line = 1
    at = 0
    for match in _SENTENCE.finditer(data):
        line += data.count(b"\n", at, match.start())
        at = match.start()
        _sentence(state, line, match)
    if not state.fixes:
        raise _no_fixes(state)
    findings = _notes(state)
    stamps, notes = _stamps(state)
    findings += notes
    lines = [fix.line for fix in state.fixes]
    names = sorted({name for fix in state.fixes for name in fix.values})
    columns = tuple(
        Column(
            name,
            np.array([fix.values.get(name, np.nan) for fix in state.fixes]),
            "RMC, VTG" if name == "speed_mps" else "RMC, GGA",
            _UNITS[name],
        )
        for name in names
    )
    return Rows(path, "NMEA", stamps, columns, lines, None, (), tuple(findings))


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
    if not state.fixes or state.fixes[-1].time_ns != time_ns:
        state.fixes.append(_Fix(line, time_ns))
    return state.fixes[-1]


def _rmc(state: _State, line: int, fields: list[str]) -> None:
    status = fields[1]
    # fields 11 and 12 are mode and, since version 4.1, navigational status: not the fix status
    mode = fields[11] if len(fields) > 11 else ""
    if status != "A" or mode == "N":
        state.void.append(line)
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
    """Add speed and course to the moment before: VTG carries no time of its own."""
    if not state.fixes or state.void_last or "speed_mps" in state.fixes[-1].values:
        return
    if len(fields) > 8 and fields[8] == "N":
        return
    if fields[4]:
        state.fixes[-1].values["speed_mps"] = _number(fields[4]) * KNOT_MPS
    elif fields[6]:
        state.fixes[-1].values["speed_mps"] = _number(fields[6]) / 3.6
    if fields[0]:
        state.fixes[-1].values.setdefault("heading_deg", _number(fields[0]))


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
    days = [_date_days(fix.date) if fix.date else None for fix in state.fixes]
    first = next((day for day in days if day is not None), None)
    ns: list[int] = []
    day = (first or 0) - _midnights_before_date(state, days)
    last: int | None = None
    for fix, own in zip(state.fixes, days, strict=True):
        if own is not None:
            day = own
        moment = day * _DAY_NS + fix.time_ns
        if own is None and last is not None:
            if moment < last - _DAY_NS // 2:
                day += 1
                moment += _DAY_NS
            elif moment > last + _DAY_NS // 2 and last % _DAY_NS < _DAY_NS // 2:
                moment -= _DAY_NS
        ns.append(moment)
        last = moment
    origin = ns[0]
    t_s = np.array([value - origin for value in ns], dtype=np.float64) * 1e-9
    if first is None:
        findings.append(
            Finding(
                "date_unknown",
                "note",
                "No sentence names a date; the times of day are used as they are.",
                path=state.path,
            )
        )
        return Stamps(t_s, origin, "time_of_day", "NMEA time of day"), findings
    return Stamps(t_s, origin, "epoch", "NMEA date and time"), findings


def _midnights_before_date(state: _State, days: list[int | None]) -> int:
    """Count the midnights between the first moment and the first one with a date."""
    count = 0
    for before, fix, own in zip(state.fixes, state.fixes[1:], days, strict=False):
        if own is not None:
            return count
        count += fix.time_ns < before.time_ns - _DAY_NS // 2
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
            kind,
            "warning",
            f"Left out: {counted(len(lines), 'sentence')}, {why} (line "
            f"{', '.join(str(line) for line in lines[:5])}{', ...' if len(lines) > 5 else ''}).",
            path=state.path,
            line=lines[0],
            count=len(lines),
        )
        for kind, lines, why in said
        if lines
    ]
