"""The motion of a simulated vehicle: launch, pull, coast-down, brake, and the way back.

`Trip` puts stretches of driving one after the other on one clock; stretches with forces are
integrated by the fourth-order Runge-Kutta rule, the others follow a prescribed speed.
Place x runs along the road ("up"), y across it, yaw is measured from "up".
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.simulate_road import SimSite, gust_series
from analysis.simulate_vehicle import SimVehicle

__all__ = ["GRID_S", "GearPiece", "Path", "RunTimes", "Trip", "TrueCar"]

GRID_S = 0.01  # spacing of the true path [s]; all stretches last whole multiples of it
_PULL_STEP_S = 0.02
_COAST_STEP_S = 0.05
_GUST_STEP_S = 0.1
_TABLE_MPS = 0.02  # spacing of the drive-force table [m/s]
_SLOPE_STEP_M = 2.0

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
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


@dataclass(frozen=True, slots=True)
class GearPiece:
    """Full throttle in one gear, clutch closed, torque steady; times on the trip's clock [s]."""

    gear: int
    start_s: float
    end_s: float
    from_mps: float
    to_mps: float


@dataclass(frozen=True, slots=True)
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


@dataclass(frozen=True, slots=True)
class Path:
    """The true motion on a grid of `GRID_S`; arrays of shape (n,).

    Parameters
    ----------
    time_s, speed_mps, accel_mps2 : arrays
        Clock from 0, speed and its derivative.
    place_m, across_m, yaw_rad : arrays
        Position along and across the road, heading from "up" (counter-clockwise).
    slope : array
        Rise over run in the direction of travel.
    wind_mps : array
        Along-road wind, positive against "up".
    """

    time_s: Floats
    speed_mps: Floats
    accel_mps2: Floats
    place_m: Floats
    across_m: Floats
    yaw_rad: Floats
    slope: Floats
    wind_mps: Floats


@dataclass(slots=True)
class _Nodes:
    """Integration nodes of one stretch."""

    t: list[float] = field(default_factory=list)
    v: list[float] = field(default_factory=list)
    x: list[float] = field(default_factory=list)
    a: list[float] = field(default_factory=list)


class Trip:
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
        self.car, self.site, self.rng = car, site, rng
        self.runs: list[RunTimes] = []
        self._now_s = 0.0
        self._v, self._x, self._y = 0.0, place_m, 0.0
        self.direction = direction  # +1 facing along "up", -1 facing against it
        self._end_accel = 0.0
        self._parts: list[tuple[Floats, Floats, Floats, Floats, Floats, Floats]] = []
        self._wind_nodes: list[float] = []
        self._wind_start_s = 0.0
        self._slope_low = -2500.0
        places = self._slope_low + _SLOPE_STEP_M * np.arange(5500, dtype=np.float64)
        self._slopes: list[float] = site.slope_at(places).tolist()

    @property
    def place_m(self) -> float:
        """Where the vehicle is now [m along the road]."""
        return self._x

    @property
    def now_s(self) -> float:
        """Time since the trip began [s]."""
        return self._now_s

    @property
    def _yaw(self) -> float:
        return 0.0 if self.direction > 0 else float(np.pi)

    # -- stretches -------------------------------------------------------------------------

    def rest(self, seconds: float) -> None:
        """Stand still for a while [s]."""
        count = max(1, round(seconds / GRID_S))
        zero = np.zeros(count)
        self._append(zero, zero, np.full(count, self._yaw))

    def drive(self, target_mps: float, accel_mps2: float) -> None:
        """Change to another speed [m/s] gently, with a rounded acceleration [m/s2]."""
        change = target_mps - self._v
        if abs(change) < 1e-9:
            return
        count = max(2, round(1.5 * abs(change) / abs(accel_mps2) / GRID_S))
        share = np.arange(count) / count
        start = self._v
        # cubic ease: the acceleration is a parabola, zero at both ends
        speed = start + change * share**2 * (3.0 - 2.0 * share)
        accel = change * 6.0 * share * (1.0 - share) / (count * GRID_S)
        self._append(speed, accel, np.full(count, self._yaw))
        self._v = target_mps

    def cruise(self, metres: float) -> None:
        """Keep the present speed over a distance [m]."""
        count = round(max(metres, 0.0) / self._v / GRID_S)
        if count > 0:
            level = np.full(count, self._v)
            self._append(level, np.zeros(count), np.full(count, self._yaw))

    def turn(self, radius_m: float = 5.5) -> None:
        """Turn round to the left at the present speed, on a circle eased in and out [m]."""
        seconds = np.pi * radius_m / self._v * 1.25
        count = max(2, round(seconds / GRID_S))
        share = np.arange(count) / count
        yaw = self._yaw + np.pi * share**2 * (3.0 - 2.0 * share)
        self._append(np.full(count, self._v), np.zeros(count), yaw)
        self.direction = -self.direction

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
        # never slower than the hill lets it become: stop waiting after three minutes
        self._integrate(
            self._rolling(),
            _COAST_STEP_S,
            lambda t, v: v <= coast_end_mps or t - neutral_s > 180.0,
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

    def path(self) -> Path:
        """Return everything driven so far."""
        speed, accel, place, across, yaw, wind = (
            np.concatenate([part[column] for part in self._parts]) for column in range(6)
        )
        return Path(
            time_s=GRID_S * np.arange(speed.size, dtype=np.float64),
            speed_mps=np.maximum(speed, 0.0),
            accel_mps2=accel,
            place_m=place,
            across_m=across,
            yaw_rad=yaw,
            slope=self.site.slope_at(place) * np.cos(yaw),
            wind_mps=wind,
        )

    # -- forces ----------------------------------------------------------------------------

    def _blow(self, wind_mps: float) -> None:
        """Draw the wind of the coming run: its mean plus gusts, on a coarse grid."""
        gusts = gust_series(
            self.rng, 3600, _GUST_STEP_S, self.site.gust_sd_mps, self.site.gust_tau_s
        )
        self._wind_nodes = (wind_mps + gusts).tolist()
        self._wind_start_s = self._now_s

    def _mean_wind(self, start_s: float, end_s: float) -> float:
        low = int((start_s - self._wind_start_s) / _GUST_STEP_S)
        high = int((end_s - self._wind_start_s) / _GUST_STEP_S) + 1
        return float(np.mean(self._wind_nodes[low:high]))

    def _resistance(self) -> Callable[[float, float, float], float]:
        """Return road load in the wind plus slope [N] as a function of time, speed and place."""
        vehicle = self.car.vehicle
        f0, f1, f2 = vehicle.f0_n, vehicle.f1_n_per_mps, vehicle.f2_n_per_mps2
        d = float(self.direction)
        weight = self.car.mass_kg * self.car.gravity_mps2 * d
        winds, slopes = self._wind_nodes, self._slopes
        begin_s, first_m = self._wind_start_s, self._slope_low

        def resistance(t: float, v: float, x: float) -> float:
            at = (t - begin_s) / _GUST_STEP_S
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
        return GearPiece(gear, start_s, self._now_s, from_mps, self._v)

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
        speeds = _TABLE_MPS * np.arange(4000, dtype=np.float64)
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

    # -- bookkeeping -----------------------------------------------------------------------

    def _integrate(
        self,
        accel: Callable[[float, float, float], float],
        step: float,
        done: Callable[[float, float], bool],
    ) -> None:
        """Advance by Runge-Kutta steps [s] until `done(t, v)`; append the path in between."""
        nodes = _Nodes()
        t, v, x, d = self._now_s, self._v, self._x, float(self.direction)
        half = 0.5 * step
        a = accel(t, v, x)
        nodes.t.append(t)
        nodes.v.append(v)
        nodes.x.append(x)
        nodes.a.append(a)
        count = 0
        while not done(t, v):
            v2 = v + half * a
            a2 = accel(t + half, v2, x + half * d * v)
            v3 = v + half * a2
            a3 = accel(t + half, v3, x + half * d * v2)
            v4 = v + step * a3
            a4 = accel(t + step, v4, x + step * d * v3)
            x += step / 6.0 * d * (v + 2.0 * v2 + 2.0 * v3 + v4)
            v = max(v + step / 6.0 * (a + 2.0 * a2 + 2.0 * a3 + a4), 0.0)
            count += 1
            t = self._now_s + count * step
            a = accel(t, v, x)
            nodes.t.append(t)
            nodes.v.append(v)
            nodes.x.append(x)
            nodes.a.append(a)
        self._end_accel = a
        if count == 0:
            return
        grid = round(count * step / GRID_S)
        at = GRID_S * np.arange(grid) / step
        low = np.minimum(at.astype(int), count - 1)
        u = at - low
        vs, xs, accels = np.array(nodes.v), np.array(nodes.x), np.array(nodes.a)
        speed = _hermite(u, step, vs[low], vs[low + 1], accels[low], accels[low + 1])
        place = _hermite(u, step, xs[low], xs[low + 1], d * vs[low], d * vs[low + 1])
        rate = accels[low] + u * (accels[low + 1] - accels[low])
        times = self._now_s + GRID_S * np.arange(grid)
        wind = np.interp(
            times - self._wind_start_s,
            _GUST_STEP_S * np.arange(len(self._wind_nodes)),
            self._wind_nodes,
        )
        across, yaw = np.full(grid, self._y), np.full(grid, self._yaw)
        self._parts.append((speed, rate, place, across, yaw, wind))
        self._now_s, self._v, self._x = self._now_s + grid * GRID_S, v, x

    def _append(self, speed: Floats, accel: Floats, yaw: Floats) -> None:
        """Append a stretch of prescribed speed and heading."""
        # trapezoids between grid points; the last one reaches to the stretch's end
        ends = np.append(speed, speed[-1] + accel[-1] * GRID_S)
        turns = np.append(yaw, yaw[-1])
        along, aside = ends * np.cos(turns), ends * np.sin(turns)
        place = self._x + GRID_S * np.append(0.0, np.cumsum(0.5 * (along[1:] + along[:-1])))
        across = self._y + GRID_S * np.append(0.0, np.cumsum(0.5 * (aside[1:] + aside[:-1])))
        wind = np.full(speed.size, self._wind_nodes[0] if self._wind_nodes else 0.0)
        self._parts.append((speed, accel, place[:-1], across[:-1], yaw, wind))
        self._x, self._y = float(place[-1]), float(across[-1])
        self._now_s += GRID_S * speed.size


def _hermite(u: Floats, step: float, y0: Floats, y1: Floats, d0: Floats, d1: Floats) -> Floats:
    """Cubic between nodes with given values and derivatives; u from 0 to 1."""
    rest = 1.0 - u
    value: Floats = (
        y0 * rest**2 * (1.0 + 2.0 * u)
        + y1 * u**2 * (3.0 - 2.0 * u)
        + step * (d0 * u * rest**2 - d1 * u**2 * rest)
    )
    return value
