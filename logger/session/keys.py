"""The keys of session.toml: their units, ranges and defaults in plain tables.

Ranges are wide enough for every road vehicle between a light rider on a bicycle (60 kg together)
and a loaded truck (44,000 kg); they catch slips of unit or decimal point, not rare vehicles. Where
no source is named, a range or default is common practice.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from logger.recording import CHANNEL_NAMES
from logger.units import Quantity as Dimension
from logger.units import convert, find_unit, known_units

__all__ = [
    "AIR",
    "COLUMN_NAMES",
    "CORRECTION_STANDARDS",
    "CROSSCHECK",
    "DRIVES",
    "KNOWN_KEYS",
    "POWER_UNITS",
    "ROTATING_MASS_DEFAULTS",
    "SCALE_RANGE",
    "SITE",
    "SPEED_UNITS",
    "TIMED_RUN",
    "VEHICLE",
    "VEHICLE_KINDS",
    "WHEELS",
    "Drive",
    "PowerUnit",
    "Quantity",
    "RotatingMassDefault",
    "SpeedUnit",
    "VehicleKind",
    "check_column",
]

VehicleKind = Literal["car", "van", "truck", "motorcycle", "bicycle"]
Drive = Literal["naturally aspirated", "turbocharged", "diesel", "electric", "unknown"]
PowerUnit = Literal["kW", "hp", "PS"]
SpeedUnit = Literal["km/h", "mph", "m/s"]

VEHICLE_KINDS: tuple[VehicleKind, ...] = ("car", "van", "truck", "motorcycle", "bicycle")
DRIVES: tuple[Drive, ...] = (
    "naturally aspirated",
    "turbocharged",
    "diesel",
    "electric",
    "unknown",
)
POWER_UNITS: tuple[PowerUnit, ...] = ("kW", "hp", "PS")
SPEED_UNITS: tuple[SpeedUnit, ...] = ("km/h", "mph", "m/s")

#: A factor on a column corrects a display or a tyre, not a unit, which is stated as such.
SCALE_RANGE = (0.5, 2.0)

#: Ambient corrections that may be asked for, as written in reports.
CORRECTION_STANDARDS: tuple[str, ...] = (
    "SAE J1349",
    "ISO 1585",
    "UN R85",
    "DIN 70020",
    "JIS D 1001",
    "SAE J607",
)

#: A timed run: ``0-90=9.8`` is 9.8 seconds from 0 to 90 in the table's `speed_unit`, ``up:0-90=9.8``
#: the same in a known direction.
TIMED_RUN = re.compile(
    r"\s*(?:(?P<way>up|down)\s*:)?\s*(?P<start>\d+(?:\.\d+)?)\s*-\s*(?P<end>\d+(?:\.\d+)?)\s*=\s*(?P<time_s>\d+(?:\.\d+)?)\s*s?\s*"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """One quantity of session.toml and the keys that may state it, of which at most one may.

    Parameters
    ----------
    what : str
        Its name in a sentence.
    keys : mapping of str to str
        Key to the unit that it is in.
    unit : str
        Unit that the value is handed on in.
    low, high : float
        Allowed values in `unit`, both ends included; shares of the mass where `of_mass`.
    of_mass : bool
        The range scales with the vehicle's mass, and a key in % means per cent of the mass.
    """

    what: str
    keys: Mapping[str, str]
    unit: str
    low: float
    high: float
    of_mass: bool = False

    def range_in(self, unit: str, mass_kg: float | None = None) -> tuple[float, float]:
        """Return the allowed range in `unit`; `mass_kg` is needed where `of_mass`."""
        if self.of_mass:
            if unit == "%":
                return self.low * 100.0, self.high * 100.0
            mass = 0.0 if mass_kg is None else mass_kg
            low, high = self.low * mass, self.high * mass
        else:
            low, high = self.low, self.high
        if unit == self.unit:
            return low, high
        return convert(low, self.unit, unit), convert(high, self.unit, unit)

    def to_unit(self, value: float, unit: str, mass_kg: float | None = None) -> float:
        """Return `value` given in `unit` in the quantity's own unit."""
        if self.of_mass and unit == "%":
            return value / 100.0 * (0.0 if mass_kg is None else mass_kg)
        return value if unit == self.unit else convert(value, unit, self.unit)


VEHICLE: dict[str, Quantity] = {
    "mass": Quantity(
        what="mass as driven",
        keys={"mass_kg": "kg", "mass_lb": "lb"},
        unit="kg",
        low=30.0,
        high=60_000.0,
    ),
    "mass_uncertainty": Quantity(
        what="uncertainty of the mass",
        keys={"mass_uncertainty_kg": "kg", "mass_uncertainty_lb": "lb"},
        unit="kg",
        low=0.0,
        high=0.3,
        of_mass=True,
    ),
    "rotating_mass": Quantity(
        what="equivalent mass of what turns with the wheels",
        keys={"rotating_mass_kg": "kg", "rotating_mass_lb": "lb", "rotating_mass_percent": "%"},
        unit="kg",
        low=0.0,
        high=0.3,
        of_mass=True,
    ),
    "rotating_mass_uncertainty": Quantity(
        what="uncertainty of the rotating mass",
        keys={
            "rotating_mass_uncertainty_kg": "kg",
            "rotating_mass_uncertainty_lb": "lb",
            "rotating_mass_uncertainty_percent": "%",
        },
        unit="kg",
        low=0.0,
        high=0.15,
        of_mass=True,
    ),
    # 0.3 m2: a rider in a streamlined recumbent; 12 m2: a truck with a high box body
    "frontal_area": Quantity(
        what="frontal area", keys={"frontal_area_m2": "m2"}, unit="m2", low=0.1, high=15.0
    ),
    # 0.03 kg m2: a bicycle's wheel; some 20 kg m2: a truck's twin wheels with their drum
    "wheel_inertia": Quantity(
        what="moment of inertia of one wheel with tyre and brake",
        keys={"wheel_inertia_kg_m2": "kg m2"},
        unit="kg m2",
        low=0.01,
        high=30.0,
    ),
    # 0.01 kg m2: a small motorcycle; some 5 kg m2: a heavy truck's engine with flywheel
    "engine_inertia": Quantity(
        what="moment of inertia of engine and flywheel",
        keys={"engine_inertia_kg_m2": "kg m2"},
        unit="kg m2",
        low=0.0005,
        high=20.0,
    ),
}

AIR: dict[str, Quantity] = {
    "temperature": Quantity(
        what="air temperature",
        keys={"temperature_C": "C", "temperature_F": "F"},
        unit="C",
        low=-40.0,
        high=55.0,
    ),
    # 500 hPa is met at 5,500 m, above every road; 1085 hPa is the highest ever reported at a station
    "pressure": Quantity(
        what="station pressure",
        keys={"pressure_hPa": "hPa", "pressure_inHg": "inHg", "pressure_kPa": "kPa"},
        unit="hPa",
        low=500.0,
        high=1100.0,
    ),
    "relative_humidity": Quantity(
        what="relative humidity",
        keys={"relative_humidity_percent": "%"},
        unit="%",
        low=0.0,
        high=100.0,
    ),
    # the Dead Sea's shore road lies 430 m below, the highest motorable roads 5,900 m above the sea
    "altitude": Quantity(
        what="altitude", keys={"altitude_m": "m"}, unit="m", low=-450.0, high=6000.0
    ),
}

SITE: dict[str, Quantity] = {
    "slope": Quantity(
        what='mean slope along "up"', keys={"slope_percent": "%"}, unit="%", low=-15.0, high=15.0
    ),
    "slope_uncertainty": Quantity(
        what="uncertainty of the slope",
        keys={"slope_uncertainty_percent": "%"},
        unit="%",
        low=0.0,
        high=15.0,
    ),
    "wind": Quantity(
        what='wind against "up"', keys={"wind_mps": "m/s"}, unit="m/s", low=-25.0, high=25.0
    ),
    "wind_uncertainty": Quantity(
        what="uncertainty of the wind",
        keys={"wind_uncertainty_mps": "m/s"},
        unit="m/s",
        low=0.0,
        high=25.0,
    ),
}

CROSSCHECK: dict[str, Quantity] = {
    "time_sd": Quantity(
        what="standard deviation of a time", keys={"time_sd": "s"}, unit="s", low=0.0, high=10.0
    ),
    "speed_sd": Quantity(
        what="standard deviation of a gate speed, in speed_unit",
        keys={"speed_sd": ""},
        unit="",
        low=0.0,
        high=50.0,
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class RotatingMassDefault:
    """Rotating mass in neutral as a share of the mass as driven, with its sd, and why."""

    percent: float
    sd_percent: float
    source: str


#: What is taken where session.toml states no rotating mass.
ROTATING_MASS_DEFAULTS: dict[VehicleKind, RotatingMassDefault] = {
    "car": RotatingMassDefault(
        percent=3.0,
        sd_percent=0.5,
        source="UN GTR No. 15, Annex 4, 4.3.1.4: 3 % of the mass in running order",
    ),
    "van": RotatingMassDefault(
        percent=3.0,
        sd_percent=0.5,
        source="UN GTR No. 15, Annex 4, 4.3.1.4: 3 % of the mass in running order",
    ),
    "truck": RotatingMassDefault(
        percent=4.0,
        sd_percent=1.5,
        source="40 CFR 1037.528: 56.7 kg per tyre, which is 2.8 % for 6 tyres under 12,000 kg and 6.3 % "
        "for 18 tyres under 16,108 kg",
    ),
    "motorcycle": RotatingMassDefault(
        percent=5.0,
        sd_percent=1.5,
        source="from memory: UN GTR No. 2 allows 7 % of the unladen mass, about 5 % with a rider",
    ),
    "bicycle": RotatingMassDefault(
        percent=2.0,
        sd_percent=0.7,
        source="common practice, no source: rims and tyres of 1.8 kg under 85 kg",
    ),
}

#: Wheels of each kind of vehicle; trucks have any number.
WHEELS: dict[VehicleKind, int] = {"car": 4, "van": 4, "motorcycle": 2, "bicycle": 2}

_VEHICLE_OTHER = (
    "name",
    "kind",
    "state",
    "drive",
    "driveline_loss_percent",
    "tyre",
    "overall_ratios",
)


def _keys(quantities: Mapping[str, Quantity]) -> tuple[str, ...]:
    return tuple(key for quantity in quantities.values() for key in quantity.keys)


#: Every key that may stand in each table; "" is the top of the file.
KNOWN_KEYS: dict[str, tuple[str, ...]] = {
    "": ("leave_out", "vehicle", "air", "site", "correction", "crosscheck", "display", "log"),
    "vehicle": (*_VEHICLE_OTHER, *_keys(VEHICLE)),
    "air": _keys(AIR),
    "site": (*_keys(SITE), "road"),
    "correction": ("standard",),
    "crosscheck": ("pull", "coast", "run", "speed_unit", *_keys(CROSSCHECK)),
    "display": ("power", "speed"),
    "log": ("file", "files", "direction", "neutral", "note", "columns"),
}


#: Columns of a table that a user may point out: the channels, the two time stamps, the hints.
COLUMN_NAMES: tuple[str, ...] = ("time_s", "received_s", *CHANNEL_NAMES, "mark", "event")

#: What a column measures, by the end of its name; time stamps have words of their own ("epoch ms").
_COLUMN_DIMENSIONS: tuple[tuple[str, Dimension], ...] = (
    ("_radps", "angular_rate"),
    ("_mps2", "acceleration"),
    ("_mps", "speed"),
    ("_deg", "direction"),
    ("_rpm", "rotation_speed"),
    ("_percent", "proportion"),
    ("_volts", "voltage"),
    ("_m", "length"),
)


def check_column(name: str, unit: str | None) -> tuple[str, str] | None:
    """Return (found, expected) where `unit` does not fit the column `name`, None where it does."""
    if unit is None or name in {"time_s", "received_s"}:
        return None
    for ending, dimension in _COLUMN_DIMENSIONS:
        if name.endswith(ending):
            turns = dimension == "speed" and find_unit(unit, "rotation_speed") is not None
            if turns or find_unit(unit, dimension) is not None:
                return None
            return f"unknown unit {unit!r}", f"one of {', '.join(known_units(dimension))}"
    return f"unit {unit!r} for a column that has none", "no unit"
