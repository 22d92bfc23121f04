"""One drive written in many ways: it must read the same, or be refused.

Each spelling draws delimiter, decimal mark, encoding, line end, packing, names and units of the
columns, the shape of the time, and their order. Truth is the drive itself (arithmetic).
"""

from __future__ import annotations

import gzip
import random
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from logger.errors import ReadError
from logger.reading import read

ROWS = 120
START = datetime(2024, 3, 14, 10, 15, 0, tzinfo=UTC)  # no day that may be a month

#: Names of the speed and what its numbers are times those in m/s; exact definitions (SI, NIST SP 811).
SPEEDS = {
    "speed_mps": 1.0,
    "Speed (m/s)": 1.0,
    "speed [km/h]": 3.6,
    "GPS Speed (km/h)": 3.6,
    "velocity_kmh": 3.6,
    "Speed (mph)": 3600 / 1609.344,
    "groundspeed (knots)": 3600 / 1852,
    "Geschw": 1.0,
    "speed": 3.6,
}
TIMES = ("time_s", "timestamp_ms", "epoch_s", "time_ns", "iso", "space", "date and time", "hhmmss")
TIMES_OF_OTHERS = ("accidents_time", "heading_time_ms", "")
ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252")


def drive() -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return times [s], speeds [m/s] and latitudes [deg] of a drive north."""
    t_s: NDArray[np.float64] = np.arange(ROWS, dtype=np.float64) * 0.5
    speed = 10.0 + 8.0 * np.sin(t_s / 9.0)
    metres = 10.0 * t_s + 72.0 * (1.0 - np.cos(t_s / 9.0))
    return t_s, speed, np.degrees(metres / 6_371_008.8)


def _times(kind: str, t_s: NDArray[np.float64]) -> dict[str, list[str]]:
    stamps = [START + timedelta(seconds=float(t)) for t in t_s]
    epoch_ms = [round(stamp.timestamp() * 1000) for stamp in stamps]
    if kind == "time_s":
        return {"time_s": [f"{t:.1f}" for t in t_s]}
    if kind == "timestamp_ms":
        return {"timestamp_ms": [str(ms) for ms in epoch_ms]}
    if kind == "epoch_s":
        return {"Unix time": [f"{ms / 1000:.3f}" for ms in epoch_ms]}
    if kind == "time_ns":
        return {"time (ns)": [str(ms * 1_000_000) for ms in epoch_ms]}
    if kind == "iso":
        return {"Time": [f"{stamp:%Y-%m-%dT%H:%M:%S.%f}Z" for stamp in stamps]}
    if kind == "space":
        return {"timestamp": [f"{s:%d.%m.%Y %H:%M:%S}.{s.microsecond // 1000:03d}" for s in stamps]}
    clock = [f"{s:%H:%M:%S}.{s.microsecond // 1000:03d}" for s in stamps]
    if kind == "hhmmss":
        return {"UTC time": clock}
    return {"Date": [f"{stamp:%m/%d/%Y}" for stamp in stamps], "Time": clock}


def spelled(seed: int) -> tuple[bytes, str, bool]:
    """Return a file of the drive in spelling number `seed`, what is in it in words, and whether its
    first row has no speed and nothing else, so that times count from the second.
    """
    rng = random.Random(seed)
    t_s, speed, latitude = drive()
    kind, name = rng.choice(TIMES), rng.choice(list(SPEEDS))
    delimiter = rng.choice([",", ";", "\t"])
    comma = delimiter != "," and rng.random() < 0.5
    columns = _times(kind, t_s)
    columns[name] = [f"{v * SPEEDS[name]:.3f}" for v in speed]
    if rng.random() < 0.6:
        columns[rng.choice(["latitude", "Lat", "GPS_lat (deg)"])] = [f"{x:.8f}" for x in latitude]
        columns[rng.choice(["longitude", "lon", "long"])] = ["-30.00000000"] * ROWS
    other = rng.choice(TIMES_OF_OTHERS)
    if other:
        columns[other] = [str(7000 - 3 * (k // 10)) for k in range(ROWS)]
    if rng.random() < 0.3:
        columns["LatAc"] = ["0.1"] * ROWS
    names = list(columns)
    rng.shuffle(names)
    bad = rng.choice([0, rng.randrange(ROWS)]) if rng.random() < 0.3 else None
    if bad is not None:
        columns[name][bad] = rng.choice(["", "nan", "12 km/h", "-"])
    lines = [delimiter.join(names)]
    for k in range(ROWS):
        row = [columns[column][k] for column in names]
        if comma:
            dates = [kind in ("space", "iso") and ":" in cell for cell in row]
            row = [c if d else c.replace(".", ",") for c, d in zip(row, dates, strict=True)]
        lines.append(delimiter.join(row) + (delimiter if rng.random() < 0.02 else ""))
    end = rng.choice(["\n", "\r\n"])
    encoding = rng.choice(ENCODINGS)
    data = (end.join(lines) + end).encode(encoding)
    packed = rng.random() < 0.2
    words = f"{kind}, {name}, {delimiter!r}, comma {comma}, {encoding}, packed {packed}, {other}"
    late = bad == 0 and not any(
        column.casefold().startswith("l") for column in columns if column != "LatAc"
    )
    return gzip.compress(data, mtime=0) if packed else data, words, late


def judged(seed: int, folder: Path) -> tuple[str, str]:
    """Return ``same``, ``refused`` or ``misread`` for one spelling, and what it was."""
    data, words, late = spelled(seed)
    path = folder / "drive.csv"
    path.write_bytes(data)
    t_s, speed, _ = drive()
    try:
        channel = read(path).channel("speed_mps")
    except ReadError as error:
        return "refused", f"{words}: {error.found}"
    if channel is None:
        return "refused", f"{words}: no speed"
    t_s = t_s - t_s[1] if late else t_s
    covered = (t_s >= channel.t_s[0]) & (t_s <= channel.t_s[-1])  # an end may be left out
    t_s, speed = t_s[covered], speed[covered]
    found = np.interp(t_s, channel.t_s, channel.values)
    # three decimals of the slowest unit, and a row left out
    near = np.abs(found - speed) < 0.03
    assumed = name_is_bare(words) and np.abs(found / 3.6 - speed).max() < 0.03
    if assumed:
        return "unit assumed aloud", words
    return ("same" if near.all() and channel.t_s.size >= ROWS - 2 else "misread"), words


def name_is_bare(words: str) -> bool:
    """Return whether the speed's name has no unit and no positions can show it."""
    return ", speed, " in words
