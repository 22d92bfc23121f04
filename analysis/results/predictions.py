"""What the fitted curves let expect: times, distances, top speed, cruising power, cycle energy.

All on a level road in still air. Everything in the session's fit is an acceleration, so times and
distances do not depend on the mass. Each interval comes from draws of the fit's own unknowns, in
which the errors of traction and of road load go together as the fit knows them to.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.physics.coasting import coast_distance_m, coast_time_s
from analysis.physics.wltc import cycle_energy_j_per_m
from logger.arrays import Array

__all__ = [
    "CURVE_STEP_MPS",
    "Change",
    "Drive",
    "GearPull",
    "Path",
    "Prediction",
    "drive_through",
    "predictions",
    "top_speed_mps",
]

#: Step of the integration over speed [m/s]: finer than any feature of a fitted curve.
CURVE_STEP_MPS = 0.05
#: So many of the draws must reach what is predicted, or there is no interval.
_REACHED = 0.975
_KMH, _MPH = 1.0 / 3.6, 0.44704
_MILE_M = 1609.344
#: Coasting is predicted no further beyond the covered speeds than this [m/s], and to standstill.
_BEYOND_MPS = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class GearPull:
    """Tractive acceleration T / m_e [m/s2] over speed [m/s] in one gear; level beyond its ends."""

    speed_mps: Array
    accel_mps2: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A launch or a gear change as driven: from one speed to another [m/s] in some time [s].

    It starts where full traction in one gear ends and stops where it begins in the next.
    """

    from_mps: float
    to_mps: float
    duration_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive:
    """One vehicle that the data allow: gears, road load per effective mass, effective mass.

    Parameters
    ----------
    gears : tuple of GearPull
        In order.
    resist : (r0, r1, r2)
        Road load over effective mass [m/s2, 1/s, 1/m].
    mass_kg : float
        Effective mass [kg].
    changes : tuple of Change
        Between the gears, one fewer than they are; without any, gears follow each other at once.
    launch : Change or None
        From standstill; without one the drive starts where the first gear is known from.
    """

    gears: tuple[GearPull, ...]
    resist: tuple[float, float, float]
    mass_kg: float
    changes: tuple[Change, ...] = ()
    launch: Change | None = None

    def resist_mps2(self, speed_mps: Array | float) -> Array:
        """Return the road load over effective mass [m/s2]."""
        r0, r1, r2 = self.resist
        v = np.asarray(speed_mps, dtype=np.float64)
        return r0 + v * (r1 + v * r2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Path:
    """A full-throttle drive through the gears: speed [m/s], time [s] and place [m] along it."""

    speed_mps: Array
    time_s: Array
    place_m: Array

    def at_speed(self, speed_mps: float) -> tuple[float, float] | None:
        """Return time and place where a speed is first reached; None where it is not."""
        return self._first(self.speed_mps, speed_mps, (self.time_s, self.place_m))

    def at_place(self, place_m: float) -> tuple[float, float] | None:
        """Return time and speed at a place; None beyond the end."""
        return self._first(self.place_m, place_m, (self.time_s, self.speed_mps))

    @staticmethod
    def _first(over: Array, value: float, of: tuple[Array, Array]) -> tuple[float, float] | None:
        reached = np.flatnonzero(over >= value)
        if over.size == 0 or value < over[0] - 1e-9 or reached.size == 0:
            return None
        after = int(reached[0])
        if after == 0:
            return float(of[0][0]), float(of[1][0])
        part = (value - over[after - 1]) / (over[after] - over[after - 1])
        first, second = (float(y[after - 1] + part * (y[after] - y[after - 1])) for y in of)
        return first, second


@dataclass(frozen=True, slots=True, kw_only=True)
class Prediction:
    """One expected figure with sd and 95 % interval in `unit` (SI); None with the reason why not."""

    name: str
    group: str
    unit: str
    value: float | None
    sd: float | None
    ci95: tuple[float, float] | None
    why_not: str | None = None


def drive_through(drive: Drive, start_mps: float | None = None) -> Path:
    """Drive at full throttle through all gears, each to the end of the speeds it is known at.

    Parameters
    ----------
    drive : Drive
        The vehicle.
    start_mps : float, optional
        Where to start [m/s]; by default with the launch, else where the first gear begins.

    Returns
    -------
    Path
        ``dt = dv / (T / m_e - R / m_e)`` by the trapezoidal rule. The path ends where acceleration does.
    """
    launch = drive.launch if start_mps is None else None
    v = launch.from_mps if launch is not None else start_mps
    if v is None:
        v = float(drive.gears[0].speed_mps[0])
    speeds, times, places = [np.array([v])], [np.array([0.0])], [np.array([0.0])]
    t = x = 0.0
    last = len(drive.gears) - 1
    for number, gear in enumerate(drive.gears):
        change = launch
        if number:
            change = drive.changes[number - 1] if drive.changes and len(speeds) > 1 else None
        if change is not None:
            t += change.duration_s
            x += 0.5 * (v + change.to_mps) * change.duration_s
            v = change.to_mps
            _append((speeds, times, places), np.array([v]), np.array([t]), np.array([x]))
        shifts = drive.changes and number < last
        end = drive.changes[number].from_mps if shifts else float(gear.speed_mps[-1])
        if v >= end:
            continue
        grid = np.linspace(v, end, max(2, round((end - v) / CURVE_STEP_MPS) + 1))
        accel = np.interp(grid, gear.speed_mps, gear.accel_mps2) - drive.resist_mps2(grid)
        stuck = np.flatnonzero(accel <= 1e-4)
        if stuck.size:
            grid, accel = grid[: stuck[0]], accel[: stuck[0]]
        if grid.size < 2:
            break
        dv = np.diff(grid)
        dt = 0.5 * dv * (1.0 / accel[1:] + 1.0 / accel[:-1])
        dx = 0.5 * dv * (grid[1:] / accel[1:] + grid[:-1] / accel[:-1])
        time, place = t + np.cumsum(dt), x + np.cumsum(dx)
        _append((speeds, times, places), grid[1:], time, place)
        t, x, v = float(time[-1]), float(place[-1]), float(grid[-1])
        if stuck.size:
            break
    return Path(
        speed_mps=np.concatenate(speeds),
        time_s=np.concatenate(times),
        place_m=np.concatenate(places),
    )


def _append(lists: tuple[list[Array], list[Array], list[Array]], *parts: Array) -> None:
    for one, part in zip(lists, parts, strict=True):
        one.append(part)


def top_speed_mps(drive: Drive) -> float | None:
    """Return the speed at which traction in some gear just meets the road load [m/s].

    None where every gear still accelerates at the end of the speeds it is known at: what a faster
    pull would show is not guessed.
    """
    found = []
    for gear in drive.gears:
        grid = np.arange(gear.speed_mps[0], gear.speed_mps[-1] + 1e-9, CURVE_STEP_MPS)
        accel = np.interp(grid, gear.speed_mps, gear.accel_mps2) - drive.resist_mps2(grid)
        falls = np.flatnonzero((accel[:-1] > 0.0) & (accel[1:] <= 0.0))
        if falls.size:
            i = int(falls[-1])
            share = accel[i] / (accel[i] - accel[i + 1])
            found.append(float(grid[i] + share * (grid[i + 1] - grid[i])))
        elif accel[-1] > 0.0:
            found.append(np.inf)
    top = max(found, default=np.inf)
    return top if np.isfinite(top) else None


_Draws = Sequence[Drive]
_Value = Callable[[Drive, Path | None], float | None]
_Everyone = Sequence[tuple[Drive, Path | None]]


def predictions(
    best: Drive, draws: _Draws, coast_range_mps: tuple[float, float], cycle_kmh: Array | None = None
) -> tuple[Prediction, ...]:
    """Predict everything that the curves reach.

    Parameters
    ----------
    best : Drive
        The fitted vehicle.
    draws : sequence of Drive
        As the fit's covariance lets it vary.
    coast_range_mps : (low, high)
        Speeds at which the road load is known [m/s].
    cycle_kmh : array, optional
        Speeds of a driving cycle at full seconds [km/h].

    Returns
    -------
    tuple of Prediction
        In groups: pull, coast, top speed, cruising, energy.
    """
    paths = [drive_through(one) if one.gears else None for one in (best, *draws)]
    everyone = list(zip((best, *draws), paths, strict=True))
    items: list[Prediction] = []
    if best.gears:
        assert paths[0] is not None
        items += _of_pulls(everyone, paths[0])
    items += _of_coasts(everyone, coast_range_mps)
    items += _of_cruising(everyone, coast_range_mps)
    if cycle_kmh is not None:
        energy = _cycle_energy(cycle_kmh)
        items.append(_predict(everyone, "road energy on the WLTC", "energy", "J/m", energy, ""))
    return tuple(items)


def _predict(
    everyone: _Everyone, name: str, group: str, unit: str, of: _Value, why: str
) -> Prediction:
    """Predict one value of the fitted vehicle, with its interval from what the draws do."""
    values = [of(drive, path) for drive, path in everyone]
    known = np.array([value for value in values[1:] if value is not None])
    if values[0] is None or known.size < max(2.0, _REACHED * (len(everyone) - 1)):
        return Prediction(
            name=name, group=group, unit=unit, value=None, sd=None, ci95=None, why_not=why
        )
    low, high = np.quantile(known, (0.025, 0.975))
    sd = float(known.std(ddof=1))
    return Prediction(
        name=name, group=group, unit=unit, value=values[0], sd=sd, ci95=(float(low), float(high))
    )


def _of_pulls(everyone: _Everyone, path: Path) -> list[Prediction]:
    """Predict times between speeds and over places, and the top speed."""
    first, last = path.speed_mps[0], path.speed_mps.max()
    seen = f"the pulls cover {first * 3.6:.0f} to {last * 3.6:.0f} km/h"
    items = []
    for start, end, unit, scale in (
        (0, 60, "km/h", _KMH),
        (0, 100, "km/h", _KMH),
        (80, 120, "km/h", _KMH),
        (0, 60, "mph", _MPH),
    ):
        between = _pull_time(start * scale, end * scale)
        items.append(_predict(everyone, f"{start} to {end} {unit}", "pull", "s", between, seen))
    why = "the pulls end before" if first == 0.0 else seen
    for name, place in (("standing 400 m", 400.0), ("standing quarter mile", _MILE_M / 4.0)):
        items.append(_predict(everyone, name, "pull", "s", _place_time(place), why))
    why = f"not reached: {seen} and still accelerate"
    items.append(_predict(everyone, "top speed", "top speed", "m/s", _top, why))
    return items


def _of_coasts(everyone: _Everyone, coast_range_mps: tuple[float, float]) -> list[Prediction]:
    """Predict times of coasting between speeds, and the distance to standstill."""
    low, high = coast_range_mps
    items = []
    for start, end in ((130, 110), (120, 100), (100, 80), (80, 60), (60, 40), (40, 20)):
        if low - _BEYOND_MPS <= end * _KMH and start * _KMH <= high + _BEYOND_MPS:
            name = f"{start} to {end} km/h in neutral"
            between = _coast_time(start * _KMH, end * _KMH)
            items.append(_predict(everyone, name, "coast", "s", between, ""))
    for start in (100, 50):
        name, covered = f"stopping distance in neutral from {start} km/h", start * _KMH <= high
        if covered and low <= 0.5 * start * _KMH:
            why = "the road load at low speed is not known well enough"
            distance = _coast_distance(start * _KMH)
            items.append(_predict(everyone, name, "coast", "m", distance, why))
    return items


def _of_cruising(everyone: _Everyone, coast_range_mps: tuple[float, float]) -> list[Prediction]:
    """Predict the power that holds a speed, inside the speeds that were coasted through."""
    low, high = coast_range_mps
    why = f"the coast-downs cover {low * 3.6:.0f} to {high * 3.6:.0f} km/h"
    items = []
    for speed in (50, 80, 100, 120):
        name = f"cruising at {speed} km/h"
        if low - _BEYOND_MPS <= speed * _KMH <= high + _BEYOND_MPS:
            items.append(_predict(everyone, name, "cruising", "W", _cruising(speed * _KMH), ""))
        else:
            items.append(
                Prediction(
                    name=name,
                    group="cruising",
                    unit="W",
                    value=None,
                    sd=None,
                    ci95=None,
                    why_not=why,
                )
            )
    return items


def _cycle_energy(cycle_kmh: Array) -> _Value:
    def value(drive: Drive, _: Path | None) -> float:
        r0, r1, r2 = (drive.mass_kg * value for value in drive.resist)
        return cycle_energy_j_per_m(cycle_kmh, (r0, r1, r2), drive.mass_kg)

    return value


def _pull_time(from_mps: float, to_mps: float) -> _Value:
    def value(_: Drive, path: Path | None) -> float | None:
        assert path is not None
        start, end = path.at_speed(from_mps), path.at_speed(to_mps)
        return None if start is None or end is None else end[0] - start[0]

    return value


def _place_time(place_m: float) -> _Value:
    def value(_: Drive, path: Path | None) -> float | None:
        assert path is not None
        found = path.at_place(place_m) if path.speed_mps[0] == 0.0 else None
        return None if found is None else found[0]

    return value


def _top(drive: Drive, _: Path | None) -> float | None:
    return top_speed_mps(drive)


def _coast_time(from_mps: float, to_mps: float) -> _Value:
    def value(drive: Drive, _: Path | None) -> float | None:
        try:
            return coast_time_s(1.0, *drive.resist, from_mps, to_mps)
        except ValueError:  # this draw never slows down to the lower speed
            return None

    return value


def _coast_distance(from_mps: float) -> _Value:
    def value(drive: Drive, _: Path | None) -> float | None:
        try:
            return coast_distance_m(1.0, *drive.resist, from_mps, 0.0)
        except ValueError:  # this draw rolls on for ever
            return None

    return value


def _cruising(speed_mps: float) -> _Value:
    def value(drive: Drive, _: Path | None) -> float:
        return drive.mass_kg * float(drive.resist_mps2(speed_mps)) * speed_mps

    return value
