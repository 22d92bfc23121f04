"""GPX 1.0 and 1.1: the track points of a file, its times, its speeds held to its positions."""

from __future__ import annotations

import codecs
import re
from collections.abc import Callable
from xml.parsers import expat

import numpy as np
from numpy.typing import NDArray

from logger.errors import ReadError
from logger.findings import Finding, are_few, counted, first_few
from logger.formats.gpx_points import PointReader, feed
from logger.formats.speed_units import SpeedRatio, speed_ratio, unit_of_ratio
from logger.rows import Column, Rows, Stamps
from logger.source import encoding_of
from logger.times.dates import text_stamps
from logger.units import find_unit, to_si

__all__ = ["parse_gpx", "sniff_gpx"]

#: expat's codes for a document that ends too early.
_CUT_OFF = (
    "no element found",
    "unclosed token",
    "unclosed CDATA section",
    "partial character",
)


#: The encoding that an XML declaration states.
_DECLARED = re.compile(r"""^(\s*<\?xml\b[^>]*?)\s+encoding\s*=\s*("[^"]*"|'[^']*')""")


def sniff_gpx(head: str) -> bool:
    """Return whether a text begins like GPX: a root element called gpx under any prefix."""
    rest = head.lstrip("\ufeff \t\r\n")
    while rest.startswith(("<?", "<!--")):
        end = "?>" if rest.startswith("<?") else "-->"
        at = rest.find(end)
        if at < 0:
            return True
        rest = rest[at + len(end) :].lstrip()
    if rest[:9].upper() == "<!DOCTYPE":
        return rest[9:].lstrip()[:3].lower() == "gpx"  # refused by the parser, with the reason
    name = rest[1:60].split(maxsplit=1)[0] if rest[:1] == "<" and rest[1:60].strip() else ""
    return name.split(">")[0].split(":")[-1].lower() == "gpx"


def parse_gpx(
    path: str,
    data: bytes,
    *,
    speed_unit: str | None = None,
    salvage: bool = False,
    advance: Callable[[int], None] | None = None,
) -> Rows:
    """Parse a GPX file's track points.

    Parameters
    ----------
    path : str
        For messages.
    data : bytes
        Whole file.
    speed_unit : str, optional
        The user's word on the unit of speed; None: as an attribute of the element says, else m/s, as
        the GPX 1.0 schema and the track-point extension say.
    salvage : bool
        Whether the complete points of a file that was cut off are used, with a warning.
    advance : callable, optional
        Called with the bytes that are done.

    Returns
    -------
    Rows
        Times, positions, and speed, elevation, heading where the file has them. No speed is
        derived here.

    Raises
    ------
    ReadError
        No XML, cut off, a document type, too deep, no track points, no times, a value out of
        range, speeds that the positions deny.
    """
    reader = PointReader(path, units_count=speed_unit is None)
    findings = _read_points(reader, data, advance, salvage=salvage)
    if not reader.lines:
        raise ReadError(
            path,
            f"no track points ({reader.points_elsewhere} waypoints or route points)",
            "a recorded track (<trkpt> with <time>)",
            "Record a track, or export it as one",
        )
    findings += _few_wrong(reader)
    stamps, notes = _stamps(reader)
    columns, doubts = _columns(reader, stamps.t_s, speed_unit)
    return Rows(
        path=path,
        format="GPX",
        stamps=stamps,
        columns=tuple(columns),
        lines=reader.lines,
        arrived_s=None,
        marks=(),
        findings=(*_notes(reader), *findings, *doubts, *notes),
    )


def _read_points(
    reader: PointReader, data: bytes, advance: Callable[[int], None] | None, *, salvage: bool
) -> list[Finding]:
    """Feed a file to the reader; of one that was cut off keep the complete points if asked."""
    data = _as_utf8(data)
    body = data.lstrip(b" \t\r\n")
    reader.first_line = 1 + data[: len(data) - len(body)].count(b"\n")
    body = body.rstrip(b"\x00")  # a phone that ran out of power leaves a block of zeros
    try:
        feed(reader, body, advance)
    except expat.ExpatError as error:
        broken = _broken(reader, error)
        if not (salvage and _is_cut_off(error) and _forget_last(reader)):
            raise broken from error
        return [
            Finding(
                kind="salvaged",
                severity="warning",
                text=f"The file was cut off in line {broken.line}; its "
                f"{counted(len(reader.lines), 'complete point')} are used, as asked.",
                path=reader.path,
                line=broken.line,
                count=len(reader.lines),
            )
        ]
    except ReadError:
        raise
    except (LookupError, ValueError) as error:
        raise ReadError(
            reader.path,
            f"the file declares an encoding that cannot be read ({error})",
            "UTF-8",
            "Correct the encoding in line 1, or export the track again",
            line=reader.first_line,
        ) from error
    return []


def _few_wrong(reader: PointReader) -> list[Finding]:
    """Name a few positions and speeds that cannot be, which are left out; refuse more."""
    wrong = reader.wrong
    if not wrong:
        return []
    if not are_few(len(wrong), len(reader.lines)):
        raise wrong[0]
    lines = first_few([error.line or 0 for error in wrong[:6]])
    return [
        Finding(
            kind="impossible_value",
            severity="warning",
            text=f"Left out: {counted(len(wrong), 'value')} that cannot be, as {wrong[0].found}, where "
            f"{wrong[0].expected} is expected (line {lines}).",
            path=reader.path,
            line=wrong[0].line,
            count=len(wrong),
        )
    ]


def _stamps(reader: PointReader) -> tuple[Stamps, list[Finding]]:
    """Return the stamps of all points; those without one are counted, a route is refused."""
    lines, path = reader.lines, reader.path
    timed = sum(bool(text) for text in reader.times)
    if timed == 0:
        raise ReadError(
            path,
            f"{counted(len(lines), 'track point')}, none with a time",
            "a recorded track; a planned route has no times",
            "Export the recording with its times",
            line=lines[0],
        )
    stamps, notes = text_stamps(reader.times, path, "time", lambda row: lines[row])
    if timed < len(lines):
        first = lines[reader.times.index("")]
        missing = Finding(
            kind="time_missing",
            severity="warning",
            text=f"Left out for having no time: {len(lines) - timed} of {len(lines)} points (first: "
            f"line {first}).",
            path=path,
            line=first,
            count=len(lines) - timed,
        )
        notes = [missing, *notes]
    return stamps, notes


def _columns(
    reader: PointReader, t_s: NDArray[np.float64], speed_unit: str | None
) -> tuple[list[Column], list[Finding]]:
    """Return what the points hold in SI units; the speed's unit is held to the positions."""
    findings: list[Finding] = []
    latitude, longitude = np.array(reader.latitude), np.array(reader.longitude)
    columns = [
        Column(name="latitude_deg", values=latitude, header="lat", unit="deg"),
        Column(name="longitude_deg", values=longitude, header="lon", unit="deg"),
    ]
    for name, values in reader.values.items():
        array: NDArray[np.float64] = np.array(values)
        unit = "deg" if name == "heading_deg" else "m"
        if name == "speed_mps":
            unit = speed_unit or "m/s"
            ratio = speed_ratio(t_s, np.where(array < 0, np.nan, array), latitude, longitude)
            findings += _deny(reader.path, unit, ratio, stated=speed_unit is not None)
            array = to_si(array, unit, "speed")
        columns.append(Column(name=name, values=array, header=name.partition("_")[0], unit=unit))
    return columns, findings


def _deny(path: str, unit: str, ratio: SpeedRatio | None, *, stated: bool) -> list[Finding]:
    """Compare the speed's unit with what the positions say; refuse where nobody stated it."""
    shown = unit_of_ratio(ratio.ratio) if ratio is not None else None
    if ratio is None or shown is None or find_unit(shown, "speed") == find_unit(unit, "speed"):
        return []
    text = (
        f"the recorded speeds are {ratio.ratio:.2f} times the speed in m/s that the positions "
        f"give: they are in {shown}, not {unit}"
    )
    if not stated:
        raise ReadError(
            path, text, "m/s, as GPX has it", f"State the true unit: --unit speed_mps={shown}"
        )
    return [Finding(kind="unit_suspect", severity="warning", text=text + ".", path=path)]


def _notes(reader: PointReader) -> list[Finding]:
    findings = []
    starts = sorted({at for at in reader.segments if at < len(reader.lines)})
    if len(starts) > 1:
        lines = ", ".join(str(reader.lines[at]) for at in starts[:6])
        findings.append(
            Finding(
                kind="several_segments",
                severity="note",
                text=f"{len(starts)} tracks or segments, beginning at lines {lines}; they are read one "
                "after the other as one recording.",
                path=reader.path,
                line=reader.lines[starts[1]],
                count=len(starts),
            )
        )
    for field, lines_out in reader.left_out.items():
        findings.append(
            Finding(
                kind="field_unreadable",
                severity="note",
                text=f"Left out: {counted(len(lines_out), 'value')} of {field} without a number (first: "
                f"line {lines_out[0]}).",
                path=reader.path,
                line=lines_out[0],
                count=len(lines_out),
            )
        )
    return findings


def _as_utf8(data: bytes) -> bytes:
    """Return XML without byte order mark, UTF-16 as UTF-8.

    A text that was saved anew in UTF-16 often goes on declaring its old encoding; what its bytes
    are is certain.
    """
    encoding = encoding_of(data[:4096])
    if not encoding.startswith("utf-16"):
        return data.removeprefix(b"\xef\xbb\xbf")
    # half a character at the end is that of a file that was cut off
    text = codecs.getincrementaldecoder(encoding)("replace").decode(data).removeprefix("\ufeff")
    return _DECLARED.sub(_blank, text, count=1).encode("utf-8", "replace")


def _blank(found: re.Match[str]) -> str:
    """Return a declaration without its encoding; columns keep their numbers."""
    return found[1] + " " * (len(found[0]) - len(found[1]))


def _is_cut_off(error: expat.ExpatError) -> bool:
    return expat.ErrorString(error.code).startswith(_CUT_OFF)


def _forget_last(reader: PointReader) -> bool:
    """Drop the point in which a cut-off file ends; return whether a complete one remains."""
    if reader.point_depth:
        del reader.lines[-1], reader.times[-1]
        for values in (reader.latitude, reader.longitude, *reader.values.values()):
            del values[-1]
        reader.point_depth = 0
    return bool(reader.lines)


def _broken(reader: PointReader, error: expat.ExpatError) -> ReadError:
    text = expat.ErrorString(error.code)
    line = error.lineno + reader.first_line - 1
    column = error.offset + 1
    if _is_cut_off(error):
        inside = "inside a point" if reader.point_depth else "before its closing tag"
        whole = len(reader.lines) - (1 if reader.point_depth else 0)
        remedy = "Copy or download it again"
        if whole > 0:
            last = reader.lines[whole - 1]
            remedy += (
                f". To use its {counted(whole, 'complete point')}, up to line {last}, read it with "
                "--salvage"
            )
        return ReadError(
            reader.path,
            f"the file ends {inside}: recording or download was cut off",
            "a complete GPX file",
            remedy,
            line=line,
            column=column,
        )
    return ReadError(
        reader.path,
        f"this is not well-formed XML ({text})",
        "a GPX file",
        "Export or download it again",
        line=line,
        column=column,
    )
