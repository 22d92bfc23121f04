"""From an opened session to its `Analysis`: its logs are read, then analysed, with progress shown."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from analysis.terminal.progress import Progress

if TYPE_CHECKING:
    from analysis.pipeline import Analysis
    from analysis.results.road_load import RoadLoad
    from logger.session.session import Session

__all__ = ["analyse_session"]


def _as_given(file: Path, folder: Path) -> Path:
    """Return a log's path as the user would write it, which is how messages show it."""
    try:
        return folder / file.relative_to(folder.resolve())
    except ValueError:
        return file


def analyse_session(
    session: Session,
    *,
    rate_hz: float | None = None,
    salvage: bool = False,
    strict: bool = False,
    road_load: RoadLoad | None = None,
    quiet: bool = False,
) -> Analysis:
    """Read a session's logs and analyse them.

    Parameters
    ----------
    session : Session
        Opened; nothing slow has been imported for it yet.
    rate_hz, salvage, strict : optional
        As in `logger.reading.read_log`.
    road_load : RoadLoad, optional
        As in `analysis.pipeline.analyse`.
    quiet : bool
        Show no progress.

    Returns
    -------
    Analysis
        Everything a report may show.

    Raises
    ------
    ReadError, NothingUsable
        As of the two.
    """
    with Progress(quiet=quiet) as progress:
        progress.show("loading what the analysis needs")
        from logger.reading import read_log

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
        from analysis.pipeline import analyse

        return analyse(session, tuple(recordings), road_load=road_load)
