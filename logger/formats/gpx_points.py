"""Track points out of GPX text: one pass of expat that knows its line numbers and has limits."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NoReturn
from xml.parsers import expat

import numpy as np

from logger.errors import ReadError
from logger.rows import MISSING_WORDS, NUMBER
from logger.units import find_unit, known_units

__all__ = ["MAX_DEPTH", "MAX_POINTS", "PointReader", "feed"]

#: The schemas nest seven deep, extensions a few more.
MAX_DEPTH = 60
#: Forty days at one point a second.
MAX_POINTS = 3_500_000
_MAX_TEXT = 400
#: 1 % of the largest number of points, and a few.
_MOST_WRONG = 50_000
#: Bytes that are parsed at a time; a tag, comment or instruction may not be longer than the second.
_PIECE, _LONGEST_TAG = 1 << 15, 1 << 16
#: Names of elements that are remembered; the schemas have some eighty.
_MOST_NAMES = 1000

#: Element (local name, lower case) -> channel. Speed is an element of the point in GPX 1.0
#: (topografix.com/GPX/1/0) and an extension in 1.1, under whatever prefix and depth.
_FIELDS = {
    "speed": "speed_mps",
    "ele": "elevation_m",
    "course": "heading_deg",
    "heading": "heading_deg",
    "bearing": "heading_deg",
    "accuracy": "position_accuracy_m",
}
#: Attributes in which programs write the unit of a speed; common practice, no source.
_UNIT_NAMES = ("unit", "units", "uom")
#: Fields whose nonsense stops the reading; the others are only left out.
_STRICT = ("speed_mps",)


class PointReader:
    """State of one pass; one point per entry of the lists.

    Parameters
    ----------
    path : str
        For messages.
    units_count : bool
        Whether units in attributes of speeds are heeded.
    """

    def __init__(self, path: str, *, units_count: bool) -> None:
        self.path = path
        self.units_count = units_count
        self.factor = 1.0  # of the speed that is being read, to m/s
        # names are not kept, and attributes come as a list: a hostile point may have a million
        self.parser = expat.ParserCreate(intern=None)
        self.parser.ordered_attributes = True
        self.parser.buffer_text = True
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self._characters
        self.parser.StartDoctypeDeclHandler = self._doctype
        self.first_line = 1
        self.depth = 0
        self.point_depth = 0
        self.field: str | None = None
        self.field_line = 0
        self.text = ""
        self.names: dict[str, str] = {}
        self.lines: list[int] = []
        self.latitude: list[float] = []
        self.longitude: list[float] = []
        self.times: list[str] = []
        self.values: dict[str, list[float]] = {}
        self.direct: set[str] = set()
        self.left_out: dict[str, list[int]] = {}
        self.wrong: list[ReadError] = []  # values that cannot be, as they would be refused
        self.segments: list[int] = []
        self.points_elsewhere = 0

    def line(self) -> int:
        """Return the line in the file that the parser is at."""
        return self.parser.CurrentLineNumber + self.first_line - 1

    def refuse(self, found: str, expected: str = "", remedy: str = "") -> NoReturn:
        """Raise a `ReadError` at the place that the parser is at."""
        raise ReadError(
            self.path,
            found,
            expected,
            remedy,
            line=self.line(),
            column=self.parser.CurrentColumnNumber + 1,
        )

    def _doctype(self, name: str, *_: object) -> None:
        self.refuse(
            f"the file declares a document type ({name})",
            "GPX, which has none",
            "Export the track again; such declarations can hide harmful content",
        )

    def _start(self, tag: str, attributes: list[str]) -> None:
        self.depth += 1
        if self.depth > MAX_DEPTH:
            self.refuse(f"elements are nested more than {MAX_DEPTH} deep", "GPX")
        name = self.names.get(tag)
        if name is None:
            name = tag.rpartition(":")[2].lower()
            if len(self.names) < _MOST_NAMES:
                self.names[tag] = name
        if self.point_depth:
            field = _FIELDS.get(name)
            if name == "time" and self.depth == self.point_depth + 1:
                field = "time"
            self.field = field
            if field is not None:
                self.field_line = self.parser.CurrentLineNumber
                self.text = ""
                if field == "speed_mps":
                    self._unit(attributes)
        elif name == "trkpt":
            self._point(attributes)
        elif name == "trkseg":
            self.segments.append(len(self.lines))
        elif name in ("wpt", "rtept"):
            self.points_elsewhere += 1
        elif self.depth == 1 and name != "gpx":
            self.refuse(f"the outermost element is <{tag[:40]}>", "<gpx>", "Give a GPX file")

    def _unit(self, attributes: list[str]) -> None:
        """Take a speed's unit out of its attributes; m/s where they name none."""
        self.factor = 1.0
        if not attributes or not self.units_count:
            return
        text = next(filter(None, (_attribute(attributes, name) for name in _UNIT_NAMES)), None)
        if text is None:
            return
        unit = find_unit(text, "speed")
        if unit is None:
            self.refuse(f"a speed in {text[:40]!r}", ", ".join(known_units("speed")), "Correct it")
        self.factor = unit.factor

    def _point(self, attributes: list[str]) -> None:
        if len(self.lines) >= MAX_POINTS:
            self.refuse(f"more than {MAX_POINTS} points", "", "Cut the file into one per run")
        self.point_depth = self.depth
        self.lines.append(self.line())
        for axis, limit, out in (("lat", 90.0, self.latitude), ("lon", 180.0, self.longitude)):
            text = _attribute(attributes, axis).strip()
            value = float(text) if NUMBER.fullmatch(text) and "," not in text else math.nan
            if not abs(value) <= limit:
                value = math.nan
                self._put_aside(
                    ReadError(
                        self.path,
                        f"a point with {axis}={text[:40]!r}",
                        f"{axis} within {limit:g} degrees",
                        "Delete it",
                        line=self.line(),
                        column=self.parser.CurrentColumnNumber + 1,
                    )
                )
            out.append(value)
        if not math.isfinite(self.latitude[-1] + self.longitude[-1]):
            self.latitude[-1] = self.longitude[-1] = math.nan
        self.times.append("")
        for values in self.values.values():
            values.append(np.nan)
        self.direct.clear()

    def _put_aside(self, wrong: ReadError) -> None:
        """Keep the refusal of a value, which counts where there are more than a few."""
        self.wrong.append(wrong)
        if len(self.wrong) > _MOST_WRONG:
            raise self.wrong[0]

    def _characters(self, data: str) -> None:
        if self.field is not None and len(self.text) < _MAX_TEXT:
            self.text += data

    def _end(self, _tag: str) -> None:
        if self.field is not None:
            self._close(self.field, self.text.strip())
            self.field = None
        elif self.depth == self.point_depth:
            self.point_depth = 0
        self.depth -= 1

    def _close(self, field: str, text: str) -> None:
        if field == "time":
            self.times[-1] = text
            return
        value = float(text) if NUMBER.fullmatch(text) and "," not in text else math.nan
        if not math.isfinite(value):
            if text == "" or text.lower() in MISSING_WORDS:
                return
            if field in _STRICT:
                self._put_aside(
                    ReadError(
                        self.path,
                        f"{text[:40]!r} as {field.partition('_')[0]}",
                        "a number",
                        "Correct the line",
                        line=self.field_line + self.first_line - 1,
                    )
                )
                return
            self.left_out.setdefault(field, []).append(self.field_line + self.first_line - 1)
            return
        if field == "speed_mps":
            value *= self.factor
        direct = self.depth == self.point_depth + 1
        if field not in self.values:
            self.values[field] = [np.nan] * len(self.lines)
        if direct or field not in self.direct:  # the point's own element wins over an extension
            self.values[field][-1] = value
        if direct:
            self.direct.add(field)


def _attribute(attributes: list[str], name: str) -> str:
    """Return the value of an attribute in expat's list of names and values; "" where it is not there."""
    for k in range(0, len(attributes), 2):
        if attributes[k] == name:
            return attributes[k + 1]
    return ""


def feed(reader: PointReader, body: bytes, advance: Callable[[int], None] | None = None) -> None:
    """Parse in pieces, and refuse a tag that goes on and on before it takes its memory.

    Parameters
    ----------
    reader : PointReader
        Takes the points.
    body : bytes
        The document.
    advance : callable, optional
        Called with the bytes that are done.
    """
    for at in range(0, len(body), _PIECE):
        end = at + _PIECE
        reader.parser.Parse(body[at:end], end >= len(body))
        if end < len(body) and end - reader.parser.CurrentByteIndex > _LONGEST_TAG:
            reader.refuse(
                f"a tag of more than {_LONGEST_TAG} bytes", "GPX", "Export the track again"
            )
        if advance is not None:
            advance(min(end, len(body)))
