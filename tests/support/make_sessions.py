"""Sessions for tests of the whole path: from small files (made-up vehicle of 1329 kg), and simulated.

A simulated session is made and read once, whichever tests ask for it.
"""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Literal

from analysis.pipeline import Analysis, analyse
from analysis.results.road_load import RoadLoad
from analysis.simulate.phone import PhoneKind
from analysis.simulate.session import Layout, simulate_session
from analysis.simulate.truth import Truth
from logger.reading import read_log
from logger.recording import Recording
from logger.session.session import LogEntry, Session, Site, Vehicle, read_session

__all__ = [
    "KNOWN_SITE",
    "MASS_KG",
    "Direction",
    "Simulated",
    "analyse_files",
    "analysed",
    "case_session",
    "recordings_of",
    "simulated",
]

Direction = Literal["up", "down"]
MASS_KG = 1329.0
#: The masses of these files are exact: only noise is to be seen.
_VEHICLE = Vehicle(
    mass_kg=MASS_KG,
    mass_sd_kg=1e-3,
    rotating_mass_kg=0.0,
    rotating_mass_sd_kg=1e-3,
    stated=("mass_uncertainty", "rotating_mass"),
)
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
    logs = tuple(
        LogEntry(files=(file,), direction=way) for file, way in zip(files, ways, strict=True)
    )
    return Session(path=files[0].parent, name="case", vehicle=vehicle, logs=logs, site=site)


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


@dataclass(frozen=True, slots=True)
class Simulated:
    """A simulated session with its truth, read as a user's would be."""

    session: Session
    recordings: tuple[Recording, ...]
    truth: Truth


def recordings_of(session: Session) -> tuple[Recording, ...]:
    """Read the logs of a session, one recording each."""
    return tuple(read_log(list(log.files), columns=log.columns) for log in session.logs)


def simulated(
    seed: int, *, pairs: int = 2, phone: PhoneKind = "clean", layout: Layout = "own"
) -> Simulated:
    """Make, write and read one session."""
    return _simulated(seed, pairs, phone, layout)


@cache
def _simulated(seed: int, pairs: int, phone: PhoneKind, layout: Layout) -> Simulated:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder)
        truth = simulate_session(path, seed=seed, pairs=pairs, phone=phone, layout=layout)
        session = read_session(path)
        recordings = recordings_of(session)
    return Simulated(session, recordings, truth)


def analysed(
    seed: int, *, pairs: int = 2, phone: PhoneKind = "clean", layout: Layout = "own"
) -> tuple[Analysis, Truth]:
    """Analyse one simulated session."""
    return _analysed(seed, pairs, phone, layout)


@cache
def _analysed(seed: int, pairs: int, phone: PhoneKind, layout: Layout) -> tuple[Analysis, Truth]:
    made = _simulated(seed, pairs, phone, layout)
    return analyse(made.session, made.recordings), made.truth
