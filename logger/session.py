"""`Session`: the vehicle, air, site and logs that a session.toml describes, every key checked."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from logger.table import ColumnChoice

__all__ = [
    "Air",
    "ColumnChoice",
    "CrossCheckArguments",
    "Display",
    "LogEntry",
    "Session",
    "Site",
    "Vehicle",
]

VehicleKind = Literal["car", "van", "truck", "motorcycle", "bicycle"]
Drive = Literal["naturally aspirated", "turbocharged", "diesel", "electric", "unknown"]


@dataclass(frozen=True, slots=True)
class Vehicle:
    """The vehicle as driven; masses in kg, all uncertainties one standard deviation."""

    mass_kg: float
    mass_sd_kg: float
    rotating_mass_kg: float
    rotating_mass_sd_kg: float
    name: str = ""
    kind: VehicleKind = "car"
    state: str = ""
    drive: Drive = "unknown"
    driveline_loss_percent: tuple[float, float] | None = None
    frontal_area_m2: float | None = None
    tyre: str | None = None
    overall_ratios: tuple[float, ...] = ()
    engine_inertia_kg_m2: float | None = None

    @property
    def effective_mass_kg(self) -> float:
        """Mass plus the equivalent mass of what turns with the wheels [kg]."""
        return self.mass_kg + self.rotating_mass_kg


@dataclass(frozen=True, slots=True)
class Air:
    """Weather as the user stated it; None where not stated. Pressure is station pressure."""

    temperature_c: float | None = None
    pressure_hpa: float | None = None
    relative_humidity_percent: float = 50.0
    altitude_m: float | None = None


@dataclass(frozen=True, slots=True)
class Site:
    """What is known of road and wind from elsewhere; slopes as ratio (rise over run)."""

    slope: float = 0.0
    slope_sd: float = 0.005
    wind_mps: float = 0.0
    wind_sd_mps: float = 3.0


@dataclass(frozen=True, slots=True)
class LogEntry:
    """One ``[[log]]``: the files of one recording, absolute paths."""

    files: tuple[Path, ...]
    direction: Literal["up", "down"] | None = None
    note: str = ""
    columns: dict[str, ColumnChoice] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class CrossCheckArguments:
    """The ``[crosscheck]`` table: arguments of the command by the same names."""

    pull: tuple[str, ...] = ()
    coast: tuple[str, ...] = ()
    speed_unit: Literal["km/h", "mph", "m/s"] = "km/h"
    time_sd: float | None = None
    speed_sd: float | None = None


@dataclass(frozen=True, slots=True)
class Display:
    """Units for people; results.json stays SI."""

    power: Literal["kW", "hp", "PS"] = "kW"
    speed: Literal["km/h", "mph", "m/s"] = "km/h"


@dataclass(frozen=True, slots=True)
class Session:
    """Runs of one vehicle on one road in one spell of weather."""

    path: Path
    name: str
    vehicle: Vehicle
    logs: tuple[LogEntry, ...]
    air: Air | None = None
    site: Site = Site()
    correction_standard: str | None = None
    crosscheck: CrossCheckArguments | None = None
    display: Display = Display()
