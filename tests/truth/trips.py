"""One recording driven: forces integrated by the fourth-order Runge-Kutta rule.

Everything that happened is kept on the grid of `motion.GRID_S`: speed, acceleration, place, heading,
and the force that the driven wheels gave, so that a test can close the balance of energy from
outside. Its equation stands in `motion`.
"""

from __future__ import annotations

from collections.abc import Callable
from math import sqrt

import numpy as np
from motion import GRID_S, SIDE_LIMIT, Body, Covered, Path, Warmth
from numpy.typing import NDArray
from surroundings import WIND_STEP_S, RoadTable, WindNodes
from traction import FORCE_STEP_MPS, Drive

__all__ = ["Trip"]

Floats = NDArray[np.float64]

_COAST_STEP_S = 0.05
_IDLE_HZ = 14.0  # 840 turns a minute: common practice, no source


Accel = Callable[[float, float, float], tuple[float, float]]


class Trip:
    """One recording in the making.

    Parameters
    ----------
    body, drive : Body, Drive
        The vehicle.
    road, wind : RoadTable, WindNodes
        Where and when.
    warmth : Warmth
        Of this recording; `run` is drawn anew by whoever calls `pull`.
    rng : numpy.random.Generator
        The driver's chance.
    place_m, direction : float, int
        Where it begins and which way it faces.
    """

    def __init__(
        self,
        body: Body,
        drive: Drive,
        road: RoadTable,
        wind: WindNodes,
        warmth: Warmth,
        rng: np.random.Generator,
        place_m: float,
        direction: int,
    ) -> None:
        self.body, self.drive, self.road, self.wind, self.warmth = body, drive, road, wind, warmth
        self.rng, self.place_m, self.direction = rng, place_m, direction
        self.now_s, self.speed_mps = 0.0, 0.0
        self._along, self._aside, self._accel = wind.along.tolist(), 0.0, 0.0
        self._across = wind.across.tolist()
        self._parts: list[tuple[Floats, ...]] = []

    def stand(self, seconds: float) -> None:
        """Stand still [s]."""
        self._prescribe(np.zeros(max(1, round(seconds / GRID_S))))

    def ease(self, target_mps: float, rate_mps2: float) -> None:
        """Go to another speed [m/s] by ordinary driving, eased in and out [m/s2]."""
        change = target_mps - self.speed_mps
        count = max(2, round(1.5 * abs(change) / rate_mps2 / GRID_S))
        share = np.arange(count) / count
        self._prescribe(self.speed_mps + change * share**2 * (3.0 - 2.0 * share), end=target_mps)

    def keep(self, seconds: float) -> None:
        """Keep the speed [s]."""
        self._prescribe(
            np.full(max(1, round(seconds / GRID_S)), self.speed_mps), end=self.speed_mps
        )

    def turn(self, radius_m: float = 6.0) -> None:
        """Turn round to the left at the present speed."""
        count = max(2, round(np.pi * radius_m / self.speed_mps * 1.25 / GRID_S))
        share = np.arange(count) / count
        yaw = np.pi * share**2 * (3.0 - 2.0 * share)
        self._prescribe(np.full(count, self.speed_mps), end=self.speed_mps, turned=yaw)
        self.direction = -self.direction

    def pull(
        self, release_mps: float, first_gear: int, torque: float, longest_s: float
    ) -> tuple[Covered, ...]:
        """Accelerate at full throttle through the gears up to a speed [m/s]."""
        pieces: list[Covered] = []
        give_up_s = self.now_s + longest_s
        gears = self.drive.gears
        rise_s = _draw(self.rng, self.drive.launch_s)
        share = 0.0
        for number in range(first_gear, len(gears) + 1):
            scatter = 1.0 + self.drive.change_sd * float(self.rng.standard_normal())
            to_mps = min(gears[number - 1].to_mps * scatter, release_mps)
            pieces += self._in_gear(number, torque, share, rise_s, to_mps, give_up_s)
            if to_mps >= release_mps or self.now_s >= give_up_s or number == len(gears):
                break
            share = _draw(self.rng, self.drive.change_share)
            self._change(number, torque, share)
            rise_s = _draw(self.rng, self.drive.rise_s)
        return tuple(pieces)

    def let_go(self, gear: int, torque: float, overrun_s: float, overrun_mps2: float) -> None:
        """Let the throttle go, and roll in gear for a while with the engine holding back."""
        begin_s, fall_s = self.now_s, _draw(self.rng, self.drive.fall_s) + 0.1
        held = overrun_mps2 * self.body.mass_kg
        force = self._force(gear, torque)
        self._integrate(
            lambda t, v, x: force(t, v, x, max(0.0, 1.0 - (t - begin_s) / fall_s)),
            GRID_S,
            lambda t, v: t >= begin_s + fall_s - 1e-6,
            gear,
        )
        rolling = self._rolling(-held)
        begin_s = self.now_s
        self._integrate(
            rolling, GRID_S, lambda t, v: t >= begin_s + overrun_s - 1e-6 or v < 1.0, gear
        )

    def coast(self, to_mps: float, longest_s: float) -> None:
        """Roll in neutral down to a speed [m/s]."""
        until = self.now_s + longest_s
        self._integrate(
            self._rolling(0.0), _COAST_STEP_S, lambda t, v: v <= to_mps or t >= until, 0
        )

    def brake(self, to_mps: float, rate_mps2: float) -> None:
        """Brake [m/s2] to a speed [m/s]."""
        begin_s, before = self.now_s, self._accel

        def accel(t: float, v: float, x: float) -> tuple[float, float]:
            share = min(1.0, (t - begin_s) / 0.3)
            return before + (-rate_mps2 - before) * share, float("nan")

        if to_mps <= 0.0:
            self._integrate(accel, GRID_S, lambda t, v: v <= 1.0, 0)
            self.ease(0.0, 1.0)
        else:
            self._integrate(accel, GRID_S, lambda t, v: v <= to_mps, 0)

    def path(self) -> Path:
        """Return everything driven so far."""
        columns = [np.concatenate([part[at] for part in self._parts]) for at in range(9)]
        speed, accel, place, aside, yaw, direction, force, engine, warm = columns
        time_s = GRID_S * np.arange(speed.size, dtype=np.float64)
        along, across = self.wind.at(time_s)
        return Path(
            time_s=time_s,
            speed_mps=speed,
            accel_mps2=accel,
            place_m=place,
            aside_m=aside,
            yaw_rad=np.unwrap(yaw),
            direction=direction,
            force_n=force,
            engine_hz=engine,
            warm=warm,
            slope=self.road.slope_at(place),
            wind_mps=along,
            cross_mps=across,
        )

    def _in_gear(
        self,
        number: int,
        torque: float,
        share: float,
        rise_s: float,
        to_mps: float,
        give_up_s: float,
    ) -> list[Covered]:
        """Hold full throttle in one gear, with a lift where chance wants it."""
        gear, begin_s, force = self.drive.gears[number - 1], self.now_s, self._force(number, torque)
        rise_s = max(2, round(rise_s / GRID_S)) * GRID_S

        def full(t: float, v: float, x: float) -> tuple[float, float]:
            since = t - begin_s
            opened = min(1.0, share + (1.0 - share) * since / rise_s)
            return force(t, v, x, opened * self.drive.boost(since))

        self._integrate(
            full,
            GRID_S,
            lambda t, v: (t >= begin_s + rise_s - 1e-6 and v >= gear.lock_mps) or v >= to_mps,
            number,
        )
        pieces = []
        lifts = self.rng.uniform() < self.drive.lift_chance / max(len(self.drive.gears), 1)
        if lifts and self.speed_mps < 0.8 * to_mps and to_mps < 200.0:
            at_mps = self.speed_mps + float(self.rng.uniform(0.3, 0.7)) * (to_mps - self.speed_mps)
            pieces.append(self._held(full, number, at_mps, give_up_s))
            self._lift(number, torque)
        pieces.append(self._held(full, number, to_mps, give_up_s))
        return [piece for piece in pieces if piece.end_s > piece.start_s + 0.05]

    def _held(self, full: Accel, number: int, to_mps: float, give_up_s: float) -> Covered:
        """Hold full throttle up to a speed; return what was covered."""
        start_s, from_mps = self.now_s, self.speed_mps
        self._integrate(full, GRID_S, lambda t, v: v >= to_mps or t >= give_up_s, number)
        return Covered(
            gear=number, start_s=start_s, end_s=self.now_s, from_mps=from_mps, to_mps=self.speed_mps
        )

    def _lift(self, number: int, torque: float) -> None:
        """Lift the throttle to a fifth for about a second, and open it again."""
        begin_s, force = self.now_s, self._force(number, torque)
        seconds = float(self.rng.uniform(0.6, 1.6))
        times = [0.0, 0.15, seconds - 0.25, seconds]
        level = float(self.rng.uniform(0.0, 0.4))
        self._integrate(
            lambda t, v, x: force(
                t, v, x, float(np.interp(t - begin_s, times, [1.0, level, level, 1.0]))
            ),
            GRID_S,
            lambda t, v: t >= begin_s + seconds - 1e-6,
            number,
        )

    def _change(self, number: int, torque: float, share: float) -> None:
        """Change up: torque falls to a share, and the next gear's takes over half-way."""
        fall_s, gap_s = _draw(self.rng, self.drive.fall_s), _draw(self.rng, self.drive.change_s)
        fall_s = max(2, round(fall_s / GRID_S)) * GRID_S
        gap_s = max(1, round(gap_s / GRID_S)) * GRID_S
        old, new = self._force(number, torque), self._force(number + 1, torque)
        begin_s = self.now_s
        self._integrate(
            lambda t, v, x: old(t, v, x, 1.0 - (1.0 - share) * min((t - begin_s) / fall_s, 1.0)),
            GRID_S,
            lambda t, v: t >= begin_s + fall_s - 1e-6,
            number,
        )
        begin_s = self.now_s

        def between(t: float, v: float, x: float) -> tuple[float, float]:
            over = min((t - begin_s) / gap_s, 1.0)
            a, f = old(t, v, x, share)
            b, g = new(t, v, x, share * self.drive.boost(0.0))
            return a + over * (b - a), f + over * (g - f)

        self._integrate(between, GRID_S, lambda t, v: t >= begin_s + gap_s - 1e-6, number + 1)

    def _resist(self) -> Callable[[float, float, float], float]:
        """Return what resists [N] as a function of time, speed and place."""
        body, d = self.body, float(self.direction)
        f0, f1, f2, k = body.f0_n, body.f1_n_per_mps, body.f2_n_per_mps2, body.yaw_drag
        weight = body.mass_kg * body.gravity_mps2 * d
        along, across = self._along, self._across
        slopes, first_m, step_m = self.road.slopes, self.road.first_m, self.road.step_m
        tau, run = self.warmth.tau_s, self.warmth.run
        decay = self.warmth.cold * float(np.exp(-(self.warmth.start_s + self.now_s) / tau))
        begin_s = self.now_s

        def resist(t: float, v: float, x: float) -> float:
            at = t / WIND_STEP_S
            low = int(at)
            part = at - low
            u = v + d * (along[low] + (along[low + 1] - along[low]) * part)
            c2 = (across[low] + (across[low + 1] - across[low]) * part) ** 2
            at = (x - first_m) / step_m
            low = int(at)
            slope = slopes[low] + (slopes[low + 1] - slopes[low]) * (at - low)
            # exp(-z) as its series: a stretch lasts seconds, warming takes many minutes
            z = (t - begin_s) / tau
            warm = (1.0 + decay * (1.0 - z + 0.5 * z * z - z * z * z / 6.0)) * run
            fast2 = u * u + c2 + 1e-12
            flow = u * sqrt(fast2) * (1.0 + k * min(c2 / fast2, SIDE_LIMIT))
            return float(warm * (f0 + f1 * v) + f2 * flow + weight * slope)

        return resist

    def _rolling(self, force_n: float) -> Accel:
        """Return motion under a constant force [N]."""
        resist, mass = self._resist(), self.body.effective_mass_kg
        return lambda t, v, x: ((force_n - resist(t, v, x)) / mass, force_n)

    def _force(
        self, number: int, torque: float
    ) -> Callable[[float, float, float, float], tuple[float, float]]:
        """Return acceleration and force at the road under a share of a gear's full torque."""
        gear, mass = self.drive.gears[number - 1], self.body.effective_mass_kg
        resist = self._resist()
        table, limit = gear.force_n, self.drive.grip_n
        inertia, lock = gear.engine_mass_kg, gear.lock_mps

        def motion(t: float, v: float, x: float, share: float) -> tuple[float, float]:
            at = max(v, 0.0) / FORCE_STEP_MPS
            low = int(at)
            drive = torque * share * (table[low] + (table[low + 1] - table[low]) * (at - low))
            holds = resist(t, v, x)
            if v <= 0.01 and drive < holds:
                return 0.0, holds  # standing: brakes or clutch hold it
            turning = inertia if v >= lock and share > 0.0 else 0.0
            a = (drive - holds) / (mass + turning)
            force = drive - turning * a
            if force > limit:
                force = limit
                a = (force - holds) / mass
            return a, force

        return motion

    def _integrate(
        self, motion: Accel, step: float, done: Callable[[float, float], bool], gear: int
    ) -> None:
        """Advance by Runge-Kutta steps until `done(time, speed)`; keep the path in between."""
        t, v, x, d = self.now_s, self.speed_mps, self.place_m, float(self.direction)
        half, count = 0.5 * step, 0
        a, f = motion(t, v, x)
        rows = [(v, x, a, f)]
        while not done(t, v):
            v2 = v + half * a
            a2, _ = motion(t + half, v2, x + half * d * v)
            v3 = v + half * a2
            a3, _ = motion(t + half, v3, x + half * d * v2)
            v4 = v + step * a3
            a4, _ = motion(t + step, v4, x + step * d * v3)
            x += step / 6.0 * d * (v + 2.0 * v2 + 2.0 * v3 + v4)
            v = max(v + step / 6.0 * (a + 2.0 * a2 + 2.0 * a3 + a4), 0.0)
            count += 1
            t = self.now_s + count * step
            a, f = motion(t, v, x)
            rows.append((v, x, a, f))
        if count == 0:
            return
        self._accel = a
        speeds, places, rates, forces = np.array(rows).T
        grid = round(count * step / GRID_S)
        at = GRID_S * np.arange(grid) / step
        low = np.minimum((at + 1e-9).astype(int), count - 1)
        u = at - low
        speed = _cubic(u, step, speeds[low], speeds[low + 1], rates[low], rates[low + 1])
        place = _cubic(u, step, places[low], places[low + 1], d * speeds[low], d * speeds[low + 1])
        rate = rates[low] + u * (rates[low + 1] - rates[low])
        force = forces[low] + u * (forces[low + 1] - forces[low])
        engine = np.full(grid, _IDLE_HZ)
        if gear > 0:
            engine = np.maximum(_IDLE_HZ, self.drive.gears[gear - 1].engine_hz_per_mps * speed)
        self._add(speed, rate, place, np.full(grid, self._aside), np.zeros(grid), force, engine)
        self.now_s, self.speed_mps, self.place_m = self.now_s + grid * GRID_S, v, x

    def _prescribe(self, speed: Floats, end: float = 0.0, turned: Floats | None = None) -> None:
        """Append a stretch of prescribed speed."""
        yaw = np.zeros(speed.size) if turned is None else turned
        ends = np.append(speed, end)
        rate = np.gradient(ends, GRID_S)[:-1] if ends.size > 2 else np.zeros(speed.size)
        heading = np.append(yaw, yaw[-1])
        d = float(self.direction)
        along, aside = d * ends * np.cos(heading), d * ends * np.sin(heading)
        place = self.place_m + GRID_S * np.append(0.0, np.cumsum(0.5 * (along[1:] + along[:-1])))
        side = self._aside + GRID_S * np.append(0.0, np.cumsum(0.5 * (aside[1:] + aside[:-1])))
        force = np.full(speed.size, np.nan)
        engine = np.full(speed.size, 1.8 * _IDLE_HZ)
        self._add(speed, rate, place[:-1], side[:-1], yaw, force, engine)
        self.place_m, self._aside = float(place[-1]), float(side[-1])
        self.now_s += GRID_S * speed.size
        self.speed_mps, self._accel = end, 0.0

    def _add(
        self,
        speed: Floats,
        rate: Floats,
        place: Floats,
        aside: Floats,
        turned: Floats,
        force: Floats,
        engine: Floats,
    ) -> None:
        """Append one stretch with what is the same for all of it."""
        yaw = turned + (0.0 if self.direction > 0 else np.pi)
        facing = np.full(speed.size, float(self.direction))
        times = self.now_s + GRID_S * np.arange(speed.size, dtype=np.float64)
        warm = np.asarray(self.warmth.at(times), dtype=np.float64)
        self._parts.append((speed, rate, place, aside, yaw, facing, force, engine, warm))


def _draw(rng: np.random.Generator, between: tuple[float, float]) -> float:
    return float(rng.uniform(*between))


def _cubic(u: Floats, step: float, y0: Floats, y1: Floats, d0: Floats, d1: Floats) -> Floats:
    """Return the cubic between nodes of given values and derivatives; u from 0 to 1."""
    rest = 1.0 - u
    out: Floats = y0 * rest**2 * (1.0 + 2.0 * u) + y1 * u**2 * (3.0 - 2.0 * u)
    out += step * (d0 * u * rest**2 - d1 * u**2 * rest)
    return out
