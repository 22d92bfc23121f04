"""A hypothetical outing: what it is planned to be, and what is usual where little is known."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from analysis.model.parameters import Spread
from analysis.physics.plausible import ROAD_LOAD_WINDOWS
from logger.errors import PullcoastError
from logger.session.keys import VehicleKind
from logger.session.session import Site, Vehicle
from logger.units import STANDARD_GRAVITY_MPS2

__all__ = [
    "PHONE_NOISE",
    "USUAL",
    "NotDrivable",
    "Outing",
    "guess",
    "with_engine",
]


#: Noise levels of a phone with 1 Hz GPS and an accelerometer of 50 to 100 Hz in a firm mount: what the
#: session model finds in simulated sessions of that kind (median of 20, seeds 2001 to 2020).
PHONE_NOISE = Spread(
    fix=0.062,
    force_drive=0.111,
    force_coast=0.059,
    slow_noise=0.031,
    gust=0.43,
    wind=0.35,
    offset_wander=0.023,
    lag_wander=0.048,
    pull=0.0077,
    slope=0.0034,
    bend=1.46,
)
#: Rate of the accelerometer that `PHONE_NOISE` was found at [Hz].
_NOMINAL_ACCEL_HZ = 75.0
#: Mean wind along the road where none is stated [m/s]; common practice, no source.
_USUAL_WIND_MPS = 1.5
#: Gear ends as shares of the highest speed: three gears whose ratios are 1.8 and 1.4 apart.
_GEAR_ENDS = (0.40, 0.72, 1.12)
#: Wheel power per mass [W/kg], driven wheels' grip as a share of weight, release and end of the
#: coast-down [km/h], by kind of vehicle; common practice, no source.
USUAL: dict[VehicleKind, tuple[float, float, float, float]] = {
    "car": (58.0, 0.45, 110.0, 20.0),
    "van": (35.0, 0.35, 100.0, 20.0),
    "truck": (9.0, 0.25, 80.0, 20.0),
    "motorcycle": (150.0, 0.60, 110.0, 20.0),
    "bicycle": (6.0, 0.30, 40.0, 8.0),
}
#: Of a car: F0 over weight, F1 [N/(m/s)], F2 [N/(m/s)^2]; means of nine cars of 1,250 to 2,150 kg,
#: target coefficients in the US EPA test car list of model year 2022.
_USUAL_CAR = (0.0080, 2.82, 0.381)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outing:
    """What an outing is planned to be.

    Parameters
    ----------
    vehicle : Vehicle
        Masses with their sd, and kind.
    pairs : int
        Two-way pairs.
    load : tuple of 3 floats
        Guess of F0, F1, F2 [N, N/(m/s), N/(m/s)^2].
    power_w : float
        Guess of the peak wheel power [W].
    top_mps, end_mps : float
        Release of the throttle, and end of the coast-down [m/s].
    gps_hz, accel_hz : float
        Rates [Hz]; no accelerometer: 0.
    wind_mps : float
        Mean wind along the road [m/s].
    slope : float
        Mean slope (ratio).
    site : Site
        What is known of wind and slope before.
    noise : Spread
        Noise levels to expect with the following wind and accelerometer.
    noise_wind_mps, noise_accel_hz : float
        Mean wind [m/s] and rate [Hz] that `noise` was found at.
    gears : tuple of (speeds, powers)
        Wheel power [W] over speed [m/s] of each gear, as found; empty where unknown, see
        `with_engine`.
    """

    vehicle: Vehicle
    pairs: int
    load: tuple[float, float, float]
    power_w: float
    top_mps: float
    end_mps: float
    gps_hz: float = 1.0
    accel_hz: float = _NOMINAL_ACCEL_HZ
    wind_mps: float = _USUAL_WIND_MPS
    slope: float = 0.002
    site: Site = field(default_factory=Site)
    noise: Spread = PHONE_NOISE
    noise_wind_mps: float = _USUAL_WIND_MPS
    noise_accel_hz: float = _NOMINAL_ACCEL_HZ
    gears: tuple[tuple[tuple[float, ...], tuple[float, ...]], ...] = ()


class NotDrivable(PullcoastError):
    """A coast-down that does not come down to its end speed: the road falls too steeply."""

    #: Not an error of the input: the command ends with 1.
    reasons: tuple[str, ...] = ()


def guess(vehicle: Vehicle) -> Outing:
    """Return what an outing with a vehicle of which only kind and masses are known would be.

    Road load of a published car, or in the geometric middle of what another kind has; power, speeds
    and phone usual.
    """
    window = ROAD_LOAD_WINDOWS[vehicle.kind]
    per_kg, _, top_kmh, end_kmh = USUAL[vehicle.kind]
    middle = [float(np.sqrt(np.prod(two))) for two in (window.rolling_share, window.f2_n_per_mps2)]
    rolling, linear, drag = _USUAL_CAR if vehicle.kind == "car" else (middle[0], 0.0, middle[1])
    return Outing(
        vehicle=vehicle,
        pairs=4,
        load=(rolling * vehicle.mass_kg * STANDARD_GRAVITY_MPS2, linear, drag),
        power_w=per_kg * vehicle.mass_kg,
        top_mps=top_kmh / 3.6,
        end_mps=end_kmh / 3.6,
    )


def with_engine(outing: Outing) -> tuple[Outing, ...]:
    """Return the outing with each engine that it may be driven with: as found, or else two.

    Three gears that suit the highest speed, with a power that rises to the end of each, or one that
    is level within it. Where the peak lies at the end of a gear it is known half as closely.
    """
    if outing.gears:
        return (outing,)
    share = np.linspace(0.15, 1.0, 35)
    shapes = np.sqrt(share), 1.0 - 1.2 * (share - 0.7) ** 2
    return tuple(
        replace(
            outing,
            gears=tuple(
                (
                    tuple((share * end * outing.top_mps).tolist()),
                    tuple((shape * outing.power_w).tolist()),
                )
                for end in _GEAR_ENDS
            ),
        )
        for shape in shapes
    )
