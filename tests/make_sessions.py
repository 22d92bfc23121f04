"""Sessions of log files for tests of the whole path: the vehicle is the made-up one of 1329 kg."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Literal

from analysis.pipeline import Analysis, analyse
from analysis.roadload import RoadLoad
from logger.reading import read_log
from logger.recording import Recording
from logger.session import LogEntry, Session, Site, Vehicle

__all__ = ["MASS_KG", "Direction", "analyse_files", "case_session"]

Direction = Literal["up", "down"]
MASS_KG = 1329.0
#: The masses of these files are exact: only noise is to be seen.
_VEHICLE = Vehicle(MASS_KG, 1e-3, 0.0, 1e-3, stated=("mass_uncertainty", "rotating_mass"))
#: What the descriptions of the files ask for: slope and wind known to be 0.
KNOWN_SITE = Site(slope=0.0, slope_sd=1e-5, wind_mps=0.0, wind_sd_mps=1e-3)


def case_session(
    files: Sequence[Path],
    *,
    site: Site = KNOWN_SITE,
    directions: Sequence[Direction] | None = None,
    vehicle: Vehicle = _VEHICLE,
) -> Session:
    """Return a session with one log per file."""
    ways: Sequence[Direction | None] = directions or [None] * len(files)
    logs = tuple(LogEntry((file,), way) for file, way in zip(files, ways, strict=True))
    return Session(files[0].parent, "case", vehicle, logs, site=site)


def analyse_files(
    files: Sequence[Path],
    *,
    site: Site = KNOWN_SITE,
    directions: Sequence[Direction] | None = None,
    vehicle: Vehicle = _VEHICLE,
    road_load: RoadLoad | None = None,
    later_s: float = 0.0,
) -> Analysis:
    """Read and analyse files, one recording each; `later_s` moves all their times."""
    session = case_session(files, site=site, directions=directions, vehicle=vehicle)
    recordings = tuple(_later(read_log([file]), later_s) for file in files)
    return analyse(session, recordings, road_load=road_load)


def _later(recording: Recording, later_s: float) -> Recording:
    if later_s == 0.0:
        return recording
    moved = tuple(replace(c, t_s=c.t_s + later_s) for c in recording.channels)
    return replace(recording, channels=moved)
