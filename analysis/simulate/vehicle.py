"""Vehicles of known truth for simulated sessions: engine, gears, inertia, road load.

Nothing here is shared with the estimator: a wrong sign cannot cancel out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "SimVehicle",
    "draw_vehicle",
    "electric_torque",
    "plateau_torque",
    "suction_torque",
]

Drive = Literal["naturally aspirated", "turbocharged", "diesel", "electric"]
_RPM = 2.0 * np.pi / 60.0
_GRAVITY = 9.81


@dataclass(frozen=True, slots=True, kw_only=True)
class SimVehicle:
    """A vehicle as it truly is, apart from the scatter of its stated masses.

    Parameters
    ----------
    name, kind, state, drive : str
        Go into session.toml as they are.
    mass_kg, mass_sd_kg : float
        Stated mass as driven and its standard deviation [kg]; the true one is drawn from them.
    rotating_mass_kg, rotating_mass_sd_kg : float
        Stated equivalent mass of what turns with the wheels in neutral [kg], likewise.
    f0_n, f1_n_per_mps, f2_n_per_mps2 : float
        True road load in the air of the day: F0 + F1 v + F2 v |v| [N, v in m/s].
    engine_speed_radps, engine_torque_nm : tuple of float
        Full-throttle torque over engine speed, joined by straight lines.
    overall_ratios : tuple of float
        Engine turns per wheel turn of the gears used in a pull, lowest gear first.
    wheel_radius_m : float
        Rolling radius [m].
    engine_inertia_kg_m2 : float
        What turns with the engine [kg m2]; 0 for electric drive, whose rotor counts as rotating
        mass because it never leaves the wheels.
    efficiency : float
        Share of engine torque that reaches the wheels.
    launch_radps : float
        Engine speed held with a slipping clutch until the road speed has caught up; 0 for none.
    shift_radps : float
        Engine speed at which the driver changes up.
    shift_gap_s : float
        Time with the clutch open at a gear change [s].
    ramp_s : float
        Time for the torque to come back after it [s].
    traction_limit_n : float
        Largest force of the driven wheels [N].
    release_mps : float
        Speed at which the driver lets the throttle go [m/s].
    frontal_area_m2 : float or None
        Goes into session.toml.
    tyre : str or None
        Goes into session.toml.
    """

    name: str
    drive: Drive
    mass_kg: float
    mass_sd_kg: float
    rotating_mass_kg: float
    rotating_mass_sd_kg: float
    f0_n: float
    f1_n_per_mps: float
    f2_n_per_mps2: float
    engine_speed_radps: tuple[float, ...]
    engine_torque_nm: tuple[float, ...]
    overall_ratios: tuple[float, ...]
    wheel_radius_m: float
    engine_inertia_kg_m2: float
    efficiency: float
    launch_radps: float
    shift_radps: float
    shift_gap_s: float
    ramp_s: float
    traction_limit_n: float
    release_mps: float
    kind: str = "car"
    state: str = "stock"
    frontal_area_m2: float | None = None
    tyre: str | None = None

    def drive_force_n(self, gear: int, speed_mps: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the full-throttle force of the engine referred to the wheels [N].

        Parameters
        ----------
        gear : int
            Counts from 1.
        speed_mps : array of shape (n,)
            Road speed [m/s].

        Returns
        -------
        array of shape (n,)
            Torque times ratio times efficiency over radius, before the engine's own inertia and
            the traction limit are taken into account. Below the launch speed the clutch slips
            and the engine gives the torque of its launch speed.
        """
        per_metre = self.overall_ratios[gear - 1] / self.wheel_radius_m
        omega = speed_mps * per_metre
        if gear == 1:
            omega = np.maximum(omega, self.launch_radps)
        torque = np.interp(omega, self.engine_speed_radps, self.engine_torque_nm)
        force: NDArray[np.float64] = torque * per_metre * self.efficiency
        return force

    def engine_mass_kg(self, gear: int) -> float:
        """Return the equivalent mass of the engine's inertia at the wheels in a gear [kg]."""
        per_metre = self.overall_ratios[gear - 1] / self.wheel_radius_m
        return self.efficiency * self.engine_inertia_kg_m2 * per_metre**2

    def lock_speed_mps(self) -> float:
        """Return the speed at which the slipping clutch closes in the lowest gear [m/s]."""
        return self.launch_radps * self.wheel_radius_m / self.overall_ratios[0]

    def shift_speed_mps(self, gear: int) -> float:
        """Return the road speed at the change-up from a gear [m/s]."""
        return self.shift_radps * self.wheel_radius_m / self.overall_ratios[gear - 1]

    def tractive_force_n(
        self,
        gear: int,
        speed_mps: NDArray[np.float64],
        effective_mass_kg: float,
        torque_factor: float = 1.0,
    ) -> NDArray[np.float64]:
        """Return the force of the driven wheels in still air on a level road [N].

        Solves ``(m_e + m_engine) a = drive - R``, then takes the engine's share of the
        acceleration off: ``T = drive - m_engine a``; at most the traction limit.

        Parameters
        ----------
        gear : int
            Counts from 1.
        speed_mps : array of shape (n,)
            Road speed, clutch closed [m/s].
        effective_mass_kg : float
            True mass plus true rotating mass [kg].
        torque_factor : float
            Engine torque of one pull over the usual one.

        Returns
        -------
        array of shape (n,)
            Tractive force [N].
        """
        drive = torque_factor * self.drive_force_n(gear, speed_mps)
        resistance = (
            self.f0_n
            + self.f1_n_per_mps * speed_mps
            + self.f2_n_per_mps2 * speed_mps * np.abs(speed_mps)
        )
        engine_mass = self.engine_mass_kg(gear)
        accel = (drive - resistance) / (effective_mass_kg + engine_mass)
        return np.minimum(drive - engine_mass * accel, self.traction_limit_n)


def suction_torque(
    peak_power_w: float, power_rpm: float, torque_rpm: float, flatness: float
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return a naturally aspirated engine's full-throttle curve.

    A hump about the speed of largest torque, scaled to reach the power wanted at `power_rpm`.

    Parameters
    ----------
    peak_power_w : float
        Power at `power_rpm` [W].
    power_rpm, torque_rpm : float
        Speeds of that power and of the largest torque [1/min].
    flatness : float
        Share of the torque lost one `torque_rpm` away from the hump's middle.

    Returns
    -------
    tuple of (speeds [rad/s], torques [N m])
    """
    rpm = np.linspace(700.0, 1.15 * power_rpm, 240)
    away = (rpm - torque_rpm) / torque_rpm
    shape = 1.0 - flatness * away**2 - 0.25 * np.maximum(away - 0.15, 0.0) ** 2
    at_power = float(np.interp(power_rpm, rpm, shape))
    torque = shape / at_power * peak_power_w / (power_rpm * _RPM)
    return tuple((rpm * _RPM).tolist()), tuple(torque.tolist())


def plateau_torque(
    peak_power_w: float, foot_rpm: float, knee_rpm: float, droop: float, end_rpm: float
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return a boosted engine's curve: rise to a plateau, then falling torque.

    Parameters
    ----------
    peak_power_w : float
        Largest power [W].
    foot_rpm, knee_rpm, end_rpm : float
        Where the plateau begins and ends, and the highest engine speed [1/min].
    droop : float
        Beyond the knee power falls by this share over the rest of the range; 0 keeps it constant.

    Returns
    -------
    tuple of (speeds [rad/s], torques [N m])
    """
    rpm = np.linspace(700.0, 1.1 * end_rpm, 320)
    rise = 1.0 / (1.0 + np.exp(-(rpm - 0.78 * foot_rpm) / (0.11 * foot_rpm)))
    low = 0.42 + 0.58 * rise
    past = np.maximum(rpm - knee_rpm, 0.0)
    power_shape = 1.0 - droop * (past / (end_rpm - knee_rpm)) ** 2
    falling = np.where(past > 0.0, knee_rpm / rpm * power_shape, 1.0)
    # round the knee over some 5 % of the speed range, as a boost controller does
    width = max(3, int(0.05 * end_rpm / (rpm[1] - rpm[0]))) | 1
    padded = np.pad(falling, width // 2, mode="edge")
    falling = np.convolve(padded, np.full(width, 1.0 / width), mode="valid")
    shape = low * falling
    torque = shape * peak_power_w / float(np.max(shape * rpm * _RPM))
    return tuple((rpm * _RPM).tolist()), tuple(torque.tolist())


def electric_torque(
    peak_power_w: float, base_rpm: float, end_rpm: float, droop: float
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return an electric motor's curve: constant torque, then constant or drooping power.

    Parameters
    ----------
    peak_power_w : float
        Largest power [W].
    base_rpm, end_rpm : float
        Where constant power begins, and the highest speed [1/min].
    droop : float
        Share of the power lost from the base to the highest speed.

    Returns
    -------
    tuple of (speeds [rad/s], torques [N m])
    """
    rpm = np.linspace(0.0, end_rpm, 400)
    share = np.clip((rpm - base_rpm) / (end_rpm - base_rpm), 0.0, 1.0)
    power = peak_power_w * (1.0 - droop * share**1.5)
    limit = peak_power_w / (base_rpm * _RPM)
    by_power = power / (np.maximum(rpm, 1.0) * _RPM)
    # an 8th-power mean rounds the corner between the two limits
    torque = (limit**-8.0 + by_power**-8.0) ** (-1.0 / 8.0)
    return tuple((rpm * _RPM).tolist()), tuple(torque.tolist())


def draw_vehicle(rng: np.random.Generator) -> SimVehicle:
    """Draw a plausible passenger car.

    Road loads lie inside the 1st to 99th percentiles of the EPA test-car list of model year 2022
    (F0 76-328 N, F1 -5.4 to +9.7 N/(m/s), F2 0.27-1.02 N/(m/s)^2); masses 900-2200 kg.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    SimVehicle
    """
    drives: tuple[Drive, ...] = ("naturally aspirated", "turbocharged", "diesel", "electric")
    drive = drives[int(rng.choice(4, p=[0.35, 0.30, 0.20, 0.15]))]
    mass = float(
        np.round(rng.uniform(1350, 2200) if drive == "electric" else rng.uniform(900, 2000))
    )
    f1 = float(np.clip(rng.normal(1.8, 2.2), -3.5, 6.5))
    # a car with a large speed-proportional part has less of the constant one, and the other way
    f0 = mass * _GRAVITY * max(rng.uniform(0.0078, 0.0125) - 0.0009 * f1, 0.0062)
    f2 = float(np.clip(0.32 + 0.00009 * (mass - 900) + rng.normal(0.06, 0.06), 0.30, 0.75))
    f2 += max(0.0, -0.012 * f1)
    radius = float(rng.uniform(0.285, 0.335))
    first = float(rng.uniform(12.2, 14.8))
    steps: tuple[float, ...] = (1.0, float(rng.uniform(1.72, 1.92)), float(rng.uniform(2.45, 2.75)))
    shift_share = float(rng.uniform(0.93, 0.98))
    inertia, efficiency = float(rng.uniform(0.10, 0.22)), float(rng.uniform(0.86, 0.93))
    gap, ramp = float(rng.uniform(0.25, 0.8)), float(rng.uniform(0.12, 0.30))
    if drive == "naturally aspirated":
        end = float(rng.uniform(5900, 7200))
        curve = suction_torque(
            mass * rng.uniform(48, 95),
            0.93 * end,
            end * rng.uniform(0.58, 0.72),
            rng.uniform(0.25, 0.5),
        )
    elif drive == "turbocharged":
        end, ramp = float(rng.uniform(5700, 6600)), float(rng.uniform(0.25, 0.45))
        curve = plateau_torque(
            mass * rng.uniform(55, 110), rng.uniform(1600, 2100), end * rng.uniform(0.70, 0.85),
            rng.uniform(0.02, 0.12), end,
        )  # fmt: skip
    elif drive == "diesel":
        end, ramp = float(rng.uniform(4200, 4800)), float(rng.uniform(0.25, 0.45))
        inertia = float(rng.uniform(0.18, 0.30))
        curve = plateau_torque(
            mass * rng.uniform(45, 80), rng.uniform(1600, 2000), end * rng.uniform(0.68, 0.82),
            rng.uniform(0.08, 0.20), end,
        )  # fmt: skip
        first *= 0.9
    else:
        end, shift_share, gap, ramp, inertia = float(rng.uniform(10500, 14000)), 1.0, 0.0, 0.3, 0.0
        efficiency = float(rng.uniform(0.94, 0.97))
        curve = electric_torque(
            mass * rng.uniform(55, 100), end * rng.uniform(0.26, 0.36), end, rng.uniform(0.0, 0.25)
        )
        first, steps = float(rng.uniform(40.0, 48.0)), (1.0,)
    shift = shift_share * end * _RPM
    return SimVehicle(
        name=f"invented car, {drive}",
        drive=drive,
        mass_kg=mass,
        mass_sd_kg=round(0.003 * mass, 1),
        rotating_mass_kg=round(0.03 * mass, 1),
        rotating_mass_sd_kg=round(0.005 * mass, 1),
        f0_n=float(f0),
        f1_n_per_mps=f1,
        f2_n_per_mps2=f2,
        engine_speed_radps=curve[0],
        engine_torque_nm=curve[1],
        overall_ratios=tuple(end * _RPM * radius / (first * step) for step in steps),
        wheel_radius_m=radius,
        engine_inertia_kg_m2=inertia,
        efficiency=efficiency,
        launch_radps=0.0 if drive == "electric" else float(0.42 * end * _RPM),
        shift_radps=shift,
        shift_gap_s=gap,
        ramp_s=ramp,
        traction_limit_n=float(mass * _GRAVITY * rng.uniform(0.40, 0.50)),
        release_mps=float(rng.uniform(28.5, 36.0)),
        frontal_area_m2=None,
    )
