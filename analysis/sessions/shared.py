"""`Shared`: what several sessions show together, state by state."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.pipeline import Analysis
from analysis.results.reference import REFERENCE_PRESSURE_KPA, REFERENCE_TEMPERATURE_C
from analysis.results.road_load import RoadLoad
from logger.findings import Finding

__all__ = [
    "Deviation",
    "Shared",
    "SharedPower",
    "SharedRoadLoad",
    "SharedSession",
    "SharedState",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedSession:
    """One session: its analysis, what it is called, and why it was left out if so."""

    name: str
    outcome: Analysis
    why_not: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Deviation:
    """How far one session lies from what is shared.

    Parameters
    ----------
    session : int
        Index in `Shared.sessions`.
    speed_mps : tuple of float
        Low, middle and high speed of that session [m/s]; empty for a power.
    difference, sd : tuple of float
        Session less shared [N or W], and the sd that errors and deviations allow it.
    shares : tuple of float
        The difference as a ratio of what is shared.
    """

    session: int
    speed_mps: tuple[float, ...]
    difference: tuple[float, ...]
    sd: tuple[float, ...]
    shares: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedRoadLoad:
    """The road load of a vehicle in reference air, from all sessions that have one.

    Parameters
    ----------
    road_load : RoadLoad
        In reference air, with the mass of the first session; its budget has two causes: sessions
        (noise, air, deviations) and mass.
    sessions : tuple of int
        Indices in `Shared.sessions`.
    carried : tuple of RoadLoad
        Each of these sessions' own, in reference air.
    spread : float
        Sd of the deviation between sessions, relative.
    chance : float
        Probability of so much scatter or more; 1 for a single session.
    deviations : tuple of Deviation
        One per session; none for a single one.
    """

    road_load: RoadLoad
    sessions: tuple[int, ...]
    carried: tuple[RoadLoad, ...]
    spread: float
    chance: float
    deviations: tuple[Deviation, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedPower:
    """Peak wheel power [W] as tested, with its sd, from all sessions that have one.

    `spread` and `chance` as for the road load.
    """

    peak_w: float
    peak_sd_w: float
    peak_ci95_w: tuple[float, float]
    sessions: tuple[int, ...]
    spread: float
    chance: float
    deviations: tuple[Deviation, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedState:
    """What the sessions of one vehicle in one state share."""

    vehicle: str
    kind: str
    state: str
    sessions: tuple[int, ...]
    mass_kg: float
    road_load: SharedRoadLoad | None
    power: SharedPower | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Shared:
    """Everything that a page on several sessions may show."""

    sessions: tuple[SharedSession, ...]
    states: tuple[SharedState, ...]
    findings: tuple[Finding, ...]
    temperature_c: float = REFERENCE_TEMPERATURE_C
    pressure_kpa: float = REFERENCE_PRESSURE_KPA

    @property
    def used(self) -> tuple[int, ...]:
        """Indices of the sessions that are in a state."""
        return tuple(index for index, one in enumerate(self.sessions) if one.why_not is None)
