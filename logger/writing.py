"""Own table and GPX out, text files written whole or not at all."""

from __future__ import annotations

import contextlib
import gzip
import os
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from logger.recording import Channel, Recording
from logger.scans import is_rising
from logger.tables.headers import OWN_COLUMNS
from logger.visible import visible

__all__ = ["table_text", "write_bytes_atomic", "write_gpx", "write_table", "write_text_atomic"]


def write_bytes_atomic(path: Path, data: bytes) -> None:
    """Write `data` to `path` so that an interruption leaves the old file or the new one, whole.

    Parameters
    ----------
    path : Path
        Its folder must exist; a link is followed.
    data : bytes
        Whole content.

    Raises
    ------
    OSError
        The folder cannot be written to.
    """
    target = Path(os.path.realpath(path))
    handle, name = tempfile.mkstemp(
        dir=target.parent, prefix=f".{target.name[:40]}.", suffix=".part"
    )
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        try:
            mode = target.stat().st_mode & 0o777
        except FileNotFoundError:
            mask = os.umask(0)
            os.umask(mask)
            mode = 0o666 & ~mask
        os.chmod(name, mode)
        os.replace(name, target)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise


def write_text_atomic(path: Path, text: str) -> None:
    r"""Write `text` as UTF-8 with ``\n`` line ends; as `write_bytes_atomic`."""
    write_bytes_atomic(path, text.encode("utf-8"))


def write_table(path: Path, recording: Recording) -> None:
    """Write a recording as the own table; gzip where the name ends in ``.gz``.

    Parameters
    ----------
    path : Path
        File to write.
    recording : Recording
        On one clock.

    Raises
    ------
    ValueError
        Channels on two clocks: a table has one.
    OSError
        The folder cannot be written to.
    """
    data = table_text(recording).encode("utf-8")
    if path.suffix.lower() == ".gz":
        data = gzip.compress(data, compresslevel=6, mtime=0)
    write_bytes_atomic(path, data)


def table_text(recording: Recording) -> str:
    """Return a recording as the text of the own table; see `write_table`."""
    used = {channel.clock for channel in recording.channels}
    used |= {event.clock for event in recording.events}
    if len(used) > 1:
        msg = "the recording has channels on two clocks; a table has one: write two tables"
        raise ValueError(msg)
    stamps = [channel.t_s for channel in recording.channels]
    stamps.append(np.array([event.t_s for event in recording.events], dtype=np.float64))
    t_s = _merged(stamps)
    columns: dict[str, list[str]] = {"time_s": _texts(t_s)}
    arrived = _arrived(recording, t_s)
    if arrived is not None:
        columns["received_s"] = arrived
    by_name = {channel.name: channel for channel in recording.channels}
    for name in OWN_COLUMNS:
        if name in by_name:
            columns[name] = _cells(t_s, by_name[name].t_s, by_name[name].values)
    for kind in ("mark", "event"):
        if any(event.kind == kind for event in recording.events):
            columns[kind] = _event_cells(recording, t_s, kind)
    names = [name for name in OWN_COLUMNS if name in columns]
    rows = map(",".join, zip(*(columns[name] for name in names), strict=True))
    extra = _second_events(recording, names)
    lines = list(rows)
    if extra:
        lines = [row for _, _, row in sorted([*_keyed(t_s, lines), *extra], key=lambda x: x[:2])]
    return "\n".join([",".join(names), *lines]) + "\n"


def _merged(stamps: list[NDArray[np.float64]]) -> NDArray[np.float64]:
    distinct = [stamps[0]] if stamps else []
    for more in stamps[1:]:
        if more.size and not any(
            more.size == seen.size and (more is seen or np.array_equal(more, seen))
            for seen in distinct
        ):
            distinct.append(more)
    if len(distinct) == 1 and is_rising(distinct[0]):
        return distinct[0]
    return np.unique(np.concatenate(distinct)) if distinct else np.zeros(0)


def _texts(values: NDArray[np.float64]) -> list[str]:
    """Return the shortest texts that read back as the same floats."""
    return [text.removesuffix(".0") for text in map(repr, values.tolist())]


def _cells(
    t_s: NDArray[np.float64], at_s: NDArray[np.float64], values: NDArray[np.float64]
) -> list[str]:
    texts = _texts(values)
    if at_s.size == t_s.size:
        return texts
    cells = [""] * t_s.size
    for row, text in zip(np.searchsorted(t_s, at_s).tolist(), texts, strict=True):
        cells[row] = text
    return cells


def _arrived(recording: Recording, t_s: NDArray[np.float64]) -> list[str] | None:
    """Return arrival cells; blank in rows in which two channels disagree."""
    known: Channel | None = None
    cells: list[str] | None = None
    for channel in recording.channels:
        if channel.arrived_s is None or channel is known:
            continue
        known = channel
        cells = cells if cells is not None else [""] * t_s.size
        rows = np.searchsorted(t_s, channel.t_s).tolist()
        for row, text in zip(rows, _texts(channel.arrived_s), strict=True):
            if not cells[row]:
                cells[row] = text
    return cells


def _quoted(text: str) -> str:
    text = visible(text)
    text = " ".join(text.split()) if "\n" in text or "\r" in text else text
    if any(mark in text for mark in ',"'):
        return '"' + text.replace('"', '""') + '"'
    return text


def _event_cells(recording: Recording, t_s: NDArray[np.float64], kind: str) -> list[str]:
    """Return one text per row; a second text of one moment gets a row of its own."""
    cells = [""] * t_s.size
    for event in recording.events:
        row = int(np.searchsorted(t_s, event.t_s))
        if event.kind == kind and not cells[row]:
            cells[row] = _quoted(event.text)
    return cells


def _second_events(recording: Recording, names: list[str]) -> list[tuple[float, int, str]]:
    seen: set[tuple[float, str]] = set()
    extra: list[tuple[float, int, str]] = []
    for number, event in enumerate(recording.events, start=1):
        key = (event.t_s, event.kind)
        if key in seen:
            cells = dict.fromkeys(names, "")
            cells["time_s"] = repr(float(event.t_s)).removesuffix(".0")
            cells[event.kind] = _quoted(event.text)
            extra.append((event.t_s, number, ",".join(cells[name] for name in names)))
        seen.add(key)
    return extra


def _keyed(t_s: NDArray[np.float64], lines: list[str]) -> list[tuple[float, int, str]]:
    return [(t, 0, line) for t, line in zip(t_s.tolist(), lines, strict=True)]


def write_gpx(path: Path, recording: Recording) -> None:
    """Write positions, and speed where there is any, as GPX 1.0, which has an element for speed.

    Parameters
    ----------
    path : Path
        File to write.
    recording : Recording
        With latitude and longitude. A recording without a date gets times from 1970 on.

    Raises
    ------
    ValueError
        No positions.
    OSError
        The folder cannot be written to.
    """
    import gpxpy.gpx  # a phone's browser has none, and works without

    latitude = recording.channel("latitude_deg")
    longitude = recording.channel("longitude_deg")
    if latitude is None or longitude is None:
        msg = "the recording has no positions: GPX cannot hold it"
        raise ValueError(msg)
    clock = recording.clocks[latitude.clock]
    start = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=clock.epoch_s or 0.0)
    east = dict(zip(longitude.t_s.tolist(), longitude.values.tolist(), strict=True))
    others = {
        name: dict(zip(channel.t_s.tolist(), channel.values.tolist(), strict=True))
        for name in ("speed_mps", "elevation_m", "heading_deg")
        if (channel := recording.channel(name)) is not None and channel.clock == latitude.clock
    }
    segment = gpxpy.gpx.GPXTrackSegment()
    for t, lat in zip(latitude.t_s.tolist(), latitude.values.tolist(), strict=True):
        if t not in east:
            continue
        point = gpxpy.gpx.GPXTrackPoint(
            lat,
            east[t],
            elevation=others.get("elevation_m", {}).get(t),
            time=start + timedelta(seconds=t),
            speed=others.get("speed_mps", {}).get(t),
        )
        point.course = others.get("heading_deg", {}).get(t)
        segment.points.append(point)
    track = gpxpy.gpx.GPXTrack()
    track.segments.append(segment)
    gpx = gpxpy.gpx.GPX()
    gpx.creator = "pullcoast"
    gpx.tracks.append(track)
    write_text_atomic(path, gpx.to_xml(version="1.0"))
