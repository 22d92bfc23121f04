"""A session folder in, its `Analysis` out: the logs are read, then analysed."""

from __future__ import annotations

from pathlib import Path

from analysis.model.road_memory import read_road
from analysis.pipeline import Analysis, analyse
from analysis.results.road_load import RoadLoad
from analysis.terminal.progress import Progress
from logger.errors import real_path
from logger.reading import read_log
from logger.session.overrides import open_session
from logger.session.session import Session

__all__ = ["analyse_folder", "analyse_session"]


def _as_given(file: Path, folder: Path) -> Path:
    """Return a log's path as the user would write it, which is how messages show it."""
    try:
        return folder / file.relative_to(real_path(folder))
    except ValueError:
        return file


def analyse_folder(folder: Path | str, *, mass: str | None = None) -> Analysis:
    """Read and analyse a session folder: the way in for notebooks and scripts.

    Parameters
    ----------
    folder : Path or str
        A folder with a session.toml, or the path of that file.
    mass : str, optional
        Mass as driven with its unit, for example ``1480kg`` or ``3260lb``. It wins over session.toml.
        With it a folder of logs alone will do: each log is then one recording.

    Returns
    -------
    Analysis
        Everything a report may show, in SI units: `runs`, `curves` (speed over time, one of each
        log), `road_load`, `power`, `pulls`, `findings` and more. What the logs do not hold is None.

    Raises
    ------
    SessionError
        session.toml or the folder cannot be used; names file, key, what was found and is expected.
    ReadError
        A log cannot be read; names file, line, what was found and is expected.
    NothingUsable
        The logs hold neither a usable coast-down nor a usable pull; `reasons` has every reason.
    """
    return analyse_session(open_session(Path(folder), mass=mass), quiet=True)


def analyse_session(
    session: Session,
    *,
    rate_hz: float | None = None,
    salvage: bool = False,
    strict: bool = False,
    road_load: RoadLoad | None = None,
    learn_road: bool = False,
    quiet: bool = False,
) -> Analysis:
    """Read a session's logs and analyse them.

    Parameters
    ----------
    session : Session
        As from `logger.session.session.read_session`.
    rate_hz : float, optional
        Rows per second of tables that have no times [Hz].
    salvage : bool
        Use the complete points of a GPX file that was cut off.
    strict : bool
        Refuse a log with any warning.
    road_load : RoadLoad, optional
        Of an earlier session of the same vehicle, where this one has no coast-downs.
    learn_road : bool
        Whether the session's road file may be missing, since it is to be written.
    quiet : bool
        Show no progress.

    Returns
    -------
    Analysis
        Everything a report may show.

    Raises
    ------
    ReadError
        A log cannot be read.
    NothingUsable
        The logs hold neither a usable coast-down nor a usable pull, or pulls alone without a road
        load.
    """
    with Progress(quiet=quiet) as progress:
        road = None if session.road is None else read_road(session.road, may_be_new=learn_road)
        recordings = []
        for number, entry in enumerate(session.logs, start=1):
            names = " + ".join(file.name for file in entry.files)
            progress.show(f"reading {names} ({number} of {len(session.logs)})")
            recordings.append(
                read_log(
                    tuple(_as_given(file, session.path) for file in entry.files),
                    columns=entry.columns,
                    rate_hz=rate_hz,
                    salvage=salvage,
                    strict=strict,
                    progress=progress.share,
                )
            )
        progress.show("fitting all runs at once")
        return analyse(session, tuple(recordings), road_load=road_load, road=road)
