"""What has arrived: read as `pullcoast report` will read it, and told in a few words."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from logger.capture.naming import comments, plain
from logger.errors import PullcoastError

__all__ = ["Arrival", "examine_arrival"]

_MOST_WARNINGS = 6


@dataclass(frozen=True, slots=True)
class Arrival:
    """A recording that has come in.

    Parameters
    ----------
    file : Path
        Where it lies.
    size_bytes, rows : int
        Rows are 0 where it cannot be read.
    duration_s : float
        From the first to the last sample [s].
    top_speed_mps : float or None
        Highest measured speed, doubted samples left out [m/s]; None without speed.
    warnings : tuple of str
        What is wrong with it, in plain words and safe for a terminal.
    problem : str
        Why it cannot be read; "" when it can.
    comments : dict
        What the recording says about itself, for example ``mass_kg``.
    """

    file: Path
    size_bytes: int
    rows: int = 0
    duration_s: float = 0.0
    top_speed_mps: float | None = None
    warnings: tuple[str, ...] = ()
    problem: str = ""
    comments: dict[str, str] | None = None


def examine_arrival(file: Path) -> Arrival:
    """Read a recording and tell what is in it; a file that is no log is told as one, not raised.

    Parameters
    ----------
    file : Path
        As it arrived.
    """
    from logger.reading import read

    size = file.stat().st_size
    try:
        said = comments(file)
        recording = read(file, format="table")
    except PullcoastError as error:
        return Arrival(file, size, problem=plain(str(error)))
    except MemoryError:
        return Arrival(file, size, problem="not enough memory to look into it")
    speed = recording.channel("speed_mps")
    good = speed.values[~speed.suspect] if speed is not None else None
    warnings = [plain(f.text) for f in recording.findings if f.severity != "note"]
    if len(warnings) > _MOST_WARNINGS:
        more = len(warnings) - _MOST_WARNINGS
        warnings = [*warnings[:_MOST_WARNINGS], f"and {more} more; see `pullcoast look`"]
    return Arrival(
        file,
        size,
        rows=sum(source.rows for source in recording.sources),
        duration_s=recording.duration_s,
        top_speed_mps=float(good.max()) if good is not None and good.size else None,
        warnings=tuple(warnings),
        comments=said,
    )
