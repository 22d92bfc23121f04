"""The true path of a simulated vehicle: stretches put one after the other on one clock.

Stretches with forces are integrated by the fourth-order Runge-Kutta rule, the others follow a
prescribed speed. Place runs along the road ("up"), yaw is measured from "up".
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.simulate.road import SimSite, gust_series

__all__ = ["GRID_S", "GUST_STEP_S", "Path", "Track"]

GRID_S = 0.01  # spacing of the true path [s]; all stretches last whole multiples of it
GUST_STEP_S = 0.1  # spacing of the wind, straight lines in between [s]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
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


class Track:
    """A vehicle's path in the making.

    Parameters
    ----------
    site : SimSite
        Road and weather.
    rng : numpy.random.Generator
        Chance of driver and gusts.
    place_m : float
        Where it begins [m along the road].
    direction : int
        +1 facing along "up", -1 facing against it.
    """

    def __init__(
        self, site: SimSite, rng: np.random.Generator, place_m: float, direction: int
    ) -> None:
        self.site, self.rng, self.direction = site, rng, direction
        self._now_s, self._end_accel = 0.0, 0.0
        self._v, self._x, self._y = 0.0, place_m, 0.0
        self._parts: list[tuple[Floats, Floats, Floats, Floats, Floats, Floats]] = []
        self._wind_nodes: list[float] = [0.0, 0.0]
        self._wind_start_s = 0.0

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
            yaw_rad=np.unwrap(yaw),  # a full circle is no jump
            slope=self.site.slope_at(place) * np.cos(yaw),
            wind_mps=wind,
        )

    def _blow(self, wind_mps: float) -> None:
        """Draw the wind of the coming run: its mean plus gusts, on a coarse grid."""
        gusts = gust_series(
            self.rng, 4200, GUST_STEP_S, self.site.gust_sd_mps, self.site.gust_tau_s
        )
        self._wind_nodes = (wind_mps + gusts).tolist()
        self._wind_start_s = self._now_s

    def _mean_wind(self, start_s: float, end_s: float) -> float:
        low = int((start_s - self._wind_start_s) / GUST_STEP_S)
        high = int((end_s - self._wind_start_s) / GUST_STEP_S) + 1
        return float(np.mean(self._wind_nodes[low:high]))

    def _integrate(
        self,
        accel: Callable[[float, float, float], float],
        step: float,
        done: Callable[[float, float], bool],
    ) -> None:
        """Advance by Runge-Kutta steps [s] until `done(t, v)`; append the path in between."""
        t, v, x, d = self._now_s, self._v, self._x, float(self.direction)
        half = 0.5 * step
        a = accel(t, v, x)
        speeds, places, accels = [v], [x], [a]
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
            speeds.append(v)
            places.append(x)
            accels.append(a)
        self._end_accel = a
        if count == 0:
            return
        grid = round(count * step / GRID_S)
        at = GRID_S * np.arange(grid) / step
        low = np.minimum(at.astype(int), count - 1)
        u = at - low
        vs, xs, rates = np.array(speeds), np.array(places), np.array(accels)
        speed = _hermite(u, step, vs[low], vs[low + 1], rates[low], rates[low + 1])
        place = _hermite(u, step, xs[low], xs[low + 1], d * vs[low], d * vs[low + 1])
        rate = rates[low] + u * (rates[low + 1] - rates[low])
        times = self._now_s + GRID_S * np.arange(grid)
        wind = np.interp(
            times - self._wind_start_s,
            GUST_STEP_S * np.arange(len(self._wind_nodes)),
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
        wind = np.full(speed.size, self._wind_nodes[0])
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
