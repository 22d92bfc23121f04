"""What a simulated driver does: launch, pull through the gears, coast down, brake, go back."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.simulate.path import GUST_STEP_S, Track
from analysis.simulate.road import SimSite
from analysis.simulate.vehicle import SimVehicle

__all__ = ["GearPiece", "RunTimes", "Trip", "TrueCar"]

_PULL_STEP_S = 0.02
_COAST_STEP_S = 0.1
_TABLE_MPS = 0.02  # spacing of the drive-force table [m/s]
_FASTEST_MPS = 130.0  # no vehicle on wheels is driven faster here
_SLOPE_STEP_M = 2.0
_LONGEST_ROAD_M = 24_000.0

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueCar:
    """The vehicle with its true masses drawn.

    Parameters
    ----------
    vehicle : SimVehicle
        Engine, gears, road load and stated masses.
    mass_kg, rotating_mass_kg : float
        True values [kg].
    gravity_mps2 : float
        At the place [m/s2].
    """

    vehicle: SimVehicle
    mass_kg: float
    rotating_mass_kg: float
    gravity_mps2: float

    @property
    def effective_mass_kg(self) -> float:
        """True mass plus true rotating mass [kg]."""
        return self.mass_kg + self.rotating_mass_kg


@dataclass(frozen=True, slots=True, kw_only=True)
class GearPiece:
    """Full throttle in one gear, clutch closed, torque steady; times on the trip's clock [s]."""

    gear: int
    start_s: float
    end_s: float
    from_mps: float
    to_mps: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RunTimes:
    """What happened when in one run; times on the trip's clock [s].

    Parameters
    ----------
    direction : int
        +1 along "up", -1 against it.
    full_throttle : bool
        False when the speed was reached gently, for a coast-down only.
    torque_factor : float
        This pull's engine torque over the vehicle's usual one.
    launch_s, release_s, neutral_s, brake_s, stop_s : float
        First movement; throttle let go; neutral; brake on; standstill (or end of braking).
    gears : tuple of GearPiece
        In order of time; empty without full throttle.
    wind_mps : float
        Mean along-road wind from launch to brake, positive against "up" [m/s].
    """

    direction: int
    full_throttle: bool
    torque_factor: float
    launch_s: float
    release_s: float
    neutral_s: float
    brake_s: float
    stop_s: float
    gears: tuple[GearPiece, ...]
    wind_mps: float


class Trip(Track):
    """A recording's worth of driving; call its methods in order, then `path`.

    Parameters
    ----------
    car : TrueCar
        The vehicle.
    site : SimSite
        Road and weather.
    rng : numpy.random.Generator
        Chance of driver and gusts.
    place_m : float
        Where the trip begins [m along the road].
    direction : int
        +1 facing along "up", -1 facing against it.
    """

    def __init__(
        self,
        car: TrueCar,
        site: SimSite,
        rng: np.random.Generator,
        place_m: float,
        direction: int,
    ) -> None:
        super().__init__(site, rng, place_m, direction)
        self.car = car
        self.runs: list[RunTimes] = []
        self._slope_low = -4000.0
        places = np.arange(self._slope_low, _LONGEST_ROAD_M, _SLOPE_STEP_M)
        self._slopes: list[float] = site.slope_at(places).tolist()

    def go_to(self, place_m: float, cruise_mps: float) -> None:
        """Drive at an ordinary pace to a place ahead and stop there; stop at once if too near."""
        for pace in (cruise_mps, 0.5 * cruise_mps, 2.0):
            # an eased change of speed covers the mean speed times its duration
            fringes = 0.75 * (abs(pace**2 - self._v**2) / 1.2 + pace**2 / 1.5)
            ahead = self.direction * (place_m - self._x)
            if ahead > fringes + 1.0:
                self.drive(pace, 1.2)
                self.cruise(ahead - fringes)
                break
        self.drive(0.0, 1.5)

    def run(
        self,
        *,
        full_throttle: bool = True,
        coast_end_mps: float,
        wind_mps: float,
        end_mps: float = 0.0,
    ) -> None:
        """Launch, pull through the gears, coast down in neutral, brake.

        Parameters
        ----------
        full_throttle : bool
            False: reach the speed gently (for a coast-down only).
        coast_end_mps : float
            Speed at which the brake goes on [m/s].
        wind_mps : float
            This run's mean along-road wind, positive against "up" [m/s].
        end_mps : float
            Speed at which braking ends [m/s]; 0 stops.
        """
        self._blow(wind_mps)
        launch_s = self._now_s
        factor = 1.0
        gears: tuple[GearPiece, ...] = ()
        if full_throttle:
            factor = 1.0 + 0.008 * float(self.rng.standard_normal())
            gears = self._pull(factor)
            release_s = self._now_s
            self._fade(gears[-1].gear, factor, float(self.rng.uniform(0.15, 0.4)))
        else:
            self.drive(self.car.vehicle.release_mps, 1.4)
            release_s = self._now_s
        neutral_s = self._now_s
        # downhill a vehicle may roll on for ever: brake after 220 s at the latest
        self._integrate(
            self._rolling(),
            _COAST_STEP_S,
            lambda t, v: v <= coast_end_mps or t - neutral_s > 220.0,
        )
        brake_s = self._now_s
        self._brake(end_mps)
        self.runs.append(
            RunTimes(
                direction=self.direction,
                full_throttle=full_throttle,
                torque_factor=factor,
                launch_s=launch_s,
                release_s=release_s,
                neutral_s=neutral_s,
                brake_s=brake_s,
                stop_s=self._now_s,
                gears=gears,
                wind_mps=self._mean_wind(launch_s, brake_s),
            )
        )

    def _resistance(self) -> Callable[[float, float, float], float]:
        """Return road load in the wind plus slope [N] as a function of time, speed and place."""
        vehicle = self.car.vehicle
        f0, f1, f2 = vehicle.f0_n, vehicle.f1_n_per_mps, vehicle.f2_n_per_mps2
        d = float(self.direction)
        weight = self.car.mass_kg * self.car.gravity_mps2 * d
        winds, slopes = self._wind_nodes, self._slopes
        begin_s, first_m = self._wind_start_s, self._slope_low

        def resistance(t: float, v: float, x: float) -> float:
            at = (t - begin_s) / GUST_STEP_S
            low = int(at)
            air = v + d * (winds[low] + (winds[low + 1] - winds[low]) * (at - low))
            at = (x - first_m) / _SLOPE_STEP_M
            low = int(at)
            slope = slopes[low] + (slopes[low + 1] - slopes[low]) * (at - low)
            return f0 + f1 * v + f2 * air * abs(air) + weight * slope

        return resistance

    def _rolling(self) -> Callable[[float, float, float], float]:
        """Return the acceleration with the clutch open [m/s2]."""
        resistance, mass = self._resistance(), self.car.effective_mass_kg
        return lambda t, v, x: -resistance(t, v, x) / mass

    def _pull(self, factor: float) -> tuple[GearPiece, ...]:
        """Full throttle through the gears until the release speed."""
        vehicle = self.car.vehicle
        pieces: list[GearPiece] = []
        last = len(vehicle.overall_ratios)
        for gear in range(1, last + 1):
            target = vehicle.release_mps * (1.0 + 0.01 * float(self.rng.standard_normal()))
            if gear < last:
                change = 1.0 + 0.008 * float(self.rng.standard_normal())
                target = min(target, vehicle.shift_speed_mps(gear) * change)
            pieces.append(self._pull_in_gear(gear, factor, target))
            if gear == last or self._v >= vehicle.release_mps * 0.985:
                break
            self._change(gear, factor)
        return tuple(pieces)

    def _pull_in_gear(self, gear: int, factor: float, target_mps: float) -> GearPiece:
        """Let the torque rise, then hold full throttle up to a speed [m/s]."""
        vehicle = self.car.vehicle
        ramp_s = vehicle.ramp_s if gear > 1 else float(self.rng.uniform(0.5, 1.1))
        span = max(2, round(ramp_s / _PULL_STEP_S)) * _PULL_STEP_S
        lock = vehicle.lock_speed_mps() if gear == 1 else 0.0
        begin_s, force = self._now_s, self._drive(gear, factor)

        def accel(t: float, v: float, x: float) -> float:
            return force(t, v, x, min(1.0, (t - begin_s) / span))

        self._integrate(accel, _PULL_STEP_S, lambda t, v: t > begin_s + span - 1e-6 and v >= lock)
        start_s, from_mps = self._now_s, self._v
        # a car too weak for the speed wanted: the driver gives up after 40 s
        self._integrate(accel, _PULL_STEP_S, lambda t, v: v >= target_mps or t > start_s + 40.0)
        return GearPiece(
            gear=gear, start_s=start_s, end_s=self._now_s, from_mps=from_mps, to_mps=self._v
        )

    def _change(self, gear: int, factor: float) -> None:
        """Open the clutch for a gear change."""
        self._fade(gear, factor, 0.1)
        gap = self.car.vehicle.shift_gap_s * float(np.exp(0.08 * self.rng.standard_normal()))
        end_s = self._now_s + max(2, round(gap / _PULL_STEP_S)) * _PULL_STEP_S
        self._integrate(
            self._rolling(),
            _PULL_STEP_S,
            lambda t, v: t > end_s - 1e-6,
        )

    def _fade(self, gear: int, factor: float, seconds: float) -> None:
        """Take the torque away over a time [s]."""
        begin_s = self._now_s
        span = max(2, round(seconds / _PULL_STEP_S)) * _PULL_STEP_S
        force = self._drive(gear, factor)
        self._integrate(
            lambda t, v, x: force(t, v, x, max(0.0, 1.0 - (t - begin_s) / span)),
            _PULL_STEP_S,
            lambda t, v: t > begin_s + span - 1e-6,
        )

    def _drive(self, gear: int, factor: float) -> Callable[[float, float, float, float], float]:
        """Return the acceleration under a share of full torque in a gear [m/s2]."""
        vehicle, mass = self.car.vehicle, self.car.effective_mass_kg
        speeds = np.arange(0.0, _FASTEST_MPS, _TABLE_MPS)
        table: list[float] = (factor * vehicle.drive_force_n(gear, speeds)).tolist()
        engine_mass = vehicle.engine_mass_kg(gear)
        lock = vehicle.lock_speed_mps() if gear == 1 else 0.0
        limit = vehicle.traction_limit_n
        resist = self._resistance()

        def accel(t: float, v: float, x: float, share: float) -> float:
            at = max(v, 0.0) / _TABLE_MPS
            low = int(at)
            drive = share * (table[low] + (table[low + 1] - table[low]) * (at - low))
            resistance = resist(t, v, x)
            turning = engine_mass if v >= lock else 0.0  # a slipping clutch: steady engine
            a = (drive - resistance) / (mass + turning)
            if drive - turning * a > limit:
                a = (limit - resistance) / mass
            return a if v > 0.0 else max(a, 0.0)

        return accel

    def _brake(self, end_mps: float) -> None:
        """Brake at a steady rate, gently at both ends."""
        rate = float(self.rng.uniform(1.8, 3.0))
        if end_mps <= 0.0 and self._v > 3.0:
            self._ramp_brake(1.5, rate)
            self.drive(0.0, 1.2)
        else:
            self._ramp_brake(max(end_mps, 0.2), rate)
            if end_mps <= 0.0:
                self.drive(0.0, 1.0)

    def _ramp_brake(self, end_mps: float, rate: float) -> None:
        begin_s = self._now_s
        before = self._end_accel

        def accel(t: float, v: float, x: float) -> float:
            share = min(1.0, (t - begin_s) / 0.3)
            return before + (-rate - before) * share

        self._integrate(accel, _PULL_STEP_S, lambda t, v: v <= end_mps)
