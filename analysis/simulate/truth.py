"""What is true of a simulated session: the figures that an estimate is judged by."""

from __future__ import annotations

import json
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.simulate.drive import GearPiece, RunTimes, TrueCar
from analysis.simulate.path import GRID_S, Path

__all__ = ["LogTruth", "PhaseTruth", "RunTruth", "Truth", "WheelPower", "run_truth", "wheel_powers"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class WheelPower:
    """Wheel power of one gear over the speeds that the session's pulls covered in it.

    Parameters
    ----------
    gear : int
        Counts from 1.
    speed_mps, power_w : tuple of float
        Still air, level road, usual engine torque [m/s, W].
    """

    gear: int
    speed_mps: tuple[float, ...]
    power_w: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseTruth:
    """One stretch of one recording on its clock [s]; kinds as in the results, gear in pulls."""

    kind: str
    start_s: float
    end_s: float
    gear: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RunTruth:
    """One run; times on its recording's clock [s].

    Parameters
    ----------
    log, number, direction : int
        Recording, count within the session, +1 along "up".
    launch_s, release_s, neutral_s, brake_s, stop_s : float
        First movement, throttle let go, neutral, brake on, standstill or end of braking.
    full_throttle : bool
        False for a run that reached its speed gently.
    gears : tuple of GearPiece
        Full throttle with the clutch closed and steady torque.
    torque_factor : float
        This pull's engine torque over the usual one.
    wind_mps : float
        Mean over the run, gusts included, positive against "up" [m/s].
    peak_power_w, mean_power_w : float or None
        Wheel power of this pull: largest of its own curve; energy over duration [W].
    distance_m, release_mps : float
        From launch to release, and the speed there.
    """

    log: int
    number: int
    direction: int
    launch_s: float
    release_s: float
    neutral_s: float
    brake_s: float
    stop_s: float
    full_throttle: bool
    gears: tuple[GearPiece, ...]
    torque_factor: float
    wind_mps: float
    peak_power_w: float | None
    mean_power_w: float | None
    distance_m: float
    release_mps: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LogTruth:
    """One recording and its phone; times on the recording's clock [s].

    Parameters
    ----------
    files : tuple of str
        Names in the session folder.
    phases : tuple of PhaseTruth
        In order of time, without gaps.
    gps_lag_s, gps_smoothing_s : float
        Mean total lag, of which the receiver's first-order smoothing is this much.
    gps_white_mps, gps_slow_mps, gps_slow_tau_s : float
        Speed noise.
    accel_hz, accel_scale, accel_sign : float
        Rate; gain with squat (1 + k); +1 when the device gives +g upwards. Rate 0: none.
    accel_bias_mps2 : tuple
        Per device axis.
    mount : tuple of 3 rows
        Device axes from vehicle axes (forward, left, up).
    path_offset_s, motion_offset_s : float
        Recording's time = true path's time - path_offset_s = motion table's time + motion_offset_s.
    """

    files: tuple[str, ...]
    phases: tuple[PhaseTruth, ...]
    gps_lag_s: float
    gps_smoothing_s: float
    gps_white_mps: float
    gps_slow_mps: float
    gps_slow_tau_s: float
    accel_hz: float
    accel_scale: float
    accel_sign: float
    accel_bias_mps2: tuple[float, float, float]
    mount: tuple[tuple[float, float, float], ...]
    path_offset_s: float
    motion_offset_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """Everything true of a session; `paths` (one per recording) is not written to truth.json."""

    seed: int
    phone: str
    mass_kg: float
    rotating_mass_kg: float
    stated_mass_kg: float
    stated_rotating_mass_kg: float
    f0_n: float
    f1_n_per_mps: float
    f2_n_per_mps2: float
    gravity_mps2: float
    wind_mps: float
    slope: float
    slope_place_m: tuple[float, ...]
    slope_profile: tuple[float, ...]
    peak_wheel_power_w: float | None
    peak_speed_mps: float | None
    wheel_power: tuple[WheelPower, ...]
    runs: tuple[RunTruth, ...]
    logs: tuple[LogTruth, ...]
    paths: tuple[Path, ...]

    @property
    def effective_mass_kg(self) -> float:
        """True mass plus true rotating mass [kg]."""
        return self.mass_kg + self.rotating_mass_kg

    def force_n(self, speed_mps: Floats) -> Floats:
        """Return the true road load at speeds of any shape [N]."""
        return self.f0_n + self.f1_n_per_mps * speed_mps + self.f2_n_per_mps2 * speed_mps**2

    def to_json(self) -> str:
        """Return the text of truth.json: these fields, units spelt as in results.json."""
        lines = []
        for key, value in _spelt_fields(self).items():
            if isinstance(value, list) and value and isinstance(value[0], dict):
                rows = ",\n  ".join(json.dumps(item, allow_nan=False) for item in value)
                lines.append(f' "{key}": [\n  {rows}\n ]')
            else:
                lines.append(f' "{key}": {json.dumps(value, allow_nan=False)}')
        return "{\n" + ",\n".join(lines) + "\n}\n"


def wheel_powers(car: TrueCar, runs: tuple[RunTimes, ...]) -> tuple[WheelPower, ...]:
    """Return the wheel-power curve of each gear over the speeds that any pull covered in it.

    Parameters
    ----------
    car : TrueCar
        Vehicle and true masses.
    runs : tuple of RunTimes
        All runs of the session.

    Returns
    -------
    tuple of WheelPower
        About every 0.1 m/s, both end speeds included.
    """
    curves = []
    pieces = [piece for run in runs for piece in run.gears]
    for gear in sorted({piece.gear for piece in pieces}):
        low = min(piece.from_mps for piece in pieces if piece.gear == gear)
        high = max(piece.to_mps for piece in pieces if piece.gear == gear)
        speed = np.linspace(low, high, max(2, round((high - low) / 0.1) + 1))
        force = car.vehicle.tractive_force_n(gear, speed, car.effective_mass_kg)
        curves.append(
            WheelPower(
                gear=gear, speed_mps=tuple(speed.tolist()), power_w=tuple((force * speed).tolist())
            )
        )
    return tuple(curves)


def run_truth(
    car: TrueCar, path: Path, times: RunTimes, *, log: int, number: int, offset_s: float
) -> RunTruth:
    """Return one run's truth on its recording's clock.

    Parameters
    ----------
    car : TrueCar
        Vehicle and true masses.
    path : Path
        True motion of the recording.
    times : RunTimes
        When things happened, on the path's clock.
    log, number : int
        Recording and count within the session.
    offset_s : float
        Path's time of the recording's first sample [s].

    Returns
    -------
    RunTruth
    """
    vehicle = car.vehicle
    pull = slice(round(times.launch_s / GRID_S), round(times.release_s / GRID_S) + 1)
    speed = path.speed_mps[pull]
    mean_power = peak_power = None
    if times.full_throttle:
        air = speed + times.direction * path.wind_mps[pull]
        force = (
            car.effective_mass_kg * path.accel_mps2[pull]
            + vehicle.f0_n
            + vehicle.f1_n_per_mps * speed
            + vehicle.f2_n_per_mps2 * air * np.abs(air)
            + car.mass_kg * car.gravity_mps2 * path.slope[pull]
        )
        mean_power = float(np.trapezoid(force * speed, dx=GRID_S) / (GRID_S * (speed.size - 1)))
        peak_power = 0.0
        for piece in times.gears:
            grid = np.linspace(piece.from_mps, piece.to_mps, 200)
            own = vehicle.tractive_force_n(
                piece.gear, grid, car.effective_mass_kg, times.torque_factor
            )
            peak_power = max(peak_power, float(np.max(own * grid)))
    return RunTruth(
        log=log,
        number=number,
        direction=times.direction,
        launch_s=times.launch_s - offset_s,
        release_s=times.release_s - offset_s,
        neutral_s=times.neutral_s - offset_s,
        brake_s=times.brake_s - offset_s,
        stop_s=times.stop_s - offset_s,
        full_throttle=times.full_throttle,
        gears=tuple(
            GearPiece(
                gear=p.gear,
                start_s=p.start_s - offset_s,
                end_s=p.end_s - offset_s,
                from_mps=p.from_mps,
                to_mps=p.to_mps,
            )
            for p in times.gears
        ),
        torque_factor=times.torque_factor,
        wind_mps=times.wind_mps,
        peak_power_w=peak_power,
        mean_power_w=mean_power,
        distance_m=float(np.trapezoid(speed, dx=GRID_S)),
        release_mps=float(speed[-1]),
    )


_SPELLING = {
    "f0_n": "F0_N",
    "f1_n_per_mps": "F1_N_per_mps",
    "f2_n_per_mps2": "F2_N_per_mps2",
    "peak_wheel_power_w": "peak_wheel_power_W",
    "power_w": "power_W",
    "peak_power_w": "peak_power_W",
    "mean_power_w": "mean_power_W",
}


def _spelt_fields(thing: object) -> dict[str, object]:
    """Turn a dataclass into a dict whose keys spell their units as results.json does."""
    names = [name for name in getattr(thing, "__dataclass_fields__", {}) if name != "paths"]
    return {_SPELLING.get(name, name): _spelt(getattr(thing, name)) for name in names}


def _spelt(value: object) -> object:
    """Turn any value into what JSON knows; nine digits are far beyond what matters."""
    if isinstance(value, float):
        return float(f"{value:.9g}")
    if isinstance(value, tuple):
        return [_spelt(item) for item in value]
    return _spelt_fields(value) if hasattr(value, "__dataclass_fields__") else value
