"""What has arrived: read as `pullcoast report` will read it, and summarised."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import asdict, dataclass, field
from pathlib import Path

from logger.capture.naming import comments, plain
from logger.errors import PullcoastError

__all__ = ["Arrival", "as_json", "examine_apart", "examine_arrival"]

_MOST_WARNINGS = 6
#: Long enough for the largest recording on a slow computer [s].
_PATIENCE_S = 600.0
#: Where this very package lies: another one called `logger` may be nearer to another process.
_ROOT = Path(__file__).resolve().parent.parent.parent
_APART = """\
import sys
sys.path.insert(0, sys.argv[1])
from logger.capture.arrivals import as_json, examine_arrival
from pathlib import Path
sys.stdout.write(as_json(examine_arrival(Path(sys.argv[2]))))
"""


@dataclass(frozen=True, slots=True, kw_only=True)
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
        What the recording states about itself, for example ``mass_kg``.
    """

    file: Path
    size_bytes: int
    rows: int = 0
    duration_s: float = 0.0
    top_speed_mps: float | None = None
    warnings: tuple[str, ...] = ()
    problem: str = ""
    comments: dict[str, str] = field(default_factory=dict)


def as_json(arrival: Arrival) -> str:
    """Return an arrival as text for another process."""
    return json.dumps({**asdict(arrival), "file": str(arrival.file)})


def examine_apart(file: Path) -> Arrival:
    """Examine an arrival in a process of its own, which may run out of memory.

    Parameters
    ----------
    file : Path
        As it arrived.

    Raises
    ------
    FileNotFoundError
        It is gone.
    """
    size = file.stat().st_size
    try:
        done = subprocess.run(
            [sys.executable, "-P", "-c", _APART, str(_ROOT), str(file)],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=_PATIENCE_S,
            check=True,
            env={**os.environ, "PYTHONWARNINGS": "ignore", "OPENBLAS_NUM_THREADS": "1"},
            start_new_session=True,  # Ctrl-C is meant for the server, which waits for this
        )
        found = json.loads(done.stdout)
        return Arrival(**{**found, "file": file, "warnings": tuple(found["warnings"])})
    except (OSError, subprocess.SubprocessError, ValueError, KeyError, TypeError):
        file.stat()
        return Arrival(
            file=file,
            size_bytes=size,
            problem="looking into it failed; perhaps it needs more memory",
        )


def examine_arrival(file: Path) -> Arrival:
    """Read a recording and summarise it; a file that is no log gets a `problem`, no error.

    Parameters
    ----------
    file : Path
        As it arrived.
    """
    from logger.reading import read

    size = file.stat().st_size
    try:
        stated = comments(file)
        recording = read(file, format="table")
    except PullcoastError as error:
        return Arrival(file=file, size_bytes=size, problem=plain(str(error)))
    except MemoryError:
        return Arrival(file=file, size_bytes=size, problem="not enough memory to look into it")
    speed = recording.channel("speed_mps")
    good = speed.values[~speed.suspect] if speed is not None else None
    warnings = [plain(f.text) for f in recording.findings if f.severity != "note"]
    if len(warnings) > _MOST_WARNINGS:
        more = len(warnings) - _MOST_WARNINGS
        warnings = [*warnings[:_MOST_WARNINGS], f"and {more} more; see `pullcoast look`"]
    return Arrival(
        file=file,
        size_bytes=size,
        rows=sum(source.rows for source in recording.sources),
        duration_s=recording.duration_s,
        top_speed_mps=float(good.max()) if good is not None and good.size else None,
        warnings=tuple(warnings),
        comments=stated,
    )
