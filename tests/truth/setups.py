"""What is drawn for one session of a world: vehicle, road, air, phone, and the driver's plan."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from handsets import Receiver, Sensor
from surroundings import Air, Road
from traction import Drive

__all__ = ["Plan", "Setup", "Vehicle", "World"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Vehicle:
    """A vehicle as stated, and what is true of it but for the scatter of its masses.

    Parameters
    ----------
    kind, drive_kind : str
        As session.toml knows them.
    mass_kg, mass_sd_kg, rotating_mass_kg, rotating_mass_sd_kg : float
        Stated; the true ones are drawn from them.
    f0_n, f1_n_per_mps, f2_n_per_mps2, yaw_drag : float
        See `motion.Body`.
    drive : Drive
        What pushes it.
    cold, warm_s, drag_run_sd : float
        See `motion.Warmth`; relative scatter of rolling resistance from run to run.
    """

    kind: str
    drive_kind: str
    mass_kg: float
    mass_sd_kg: float
    rotating_mass_kg: float
    rotating_mass_sd_kg: float
    f0_n: float
    f1_n_per_mps: float
    f2_n_per_mps2: float
    drive: Drive
    yaw_drag: float = 0.0
    cold: float = 0.0
    warm_s: float = 900.0
    drag_run_sd: float = 0.003


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What the driver does.

    Parameters
    ----------
    directions : tuple of int
        Of the runs.
    runs_per_log : int
        How many share a recording, turning round in between.
    release_mps, roll_mps : float
        Where the throttle is let go; where it is opened, 0 from standstill.
    first_gear : int
        Gear of the launch.
    coast_from_mps, coast_to_mps : float, (low, high)
        Brake to the first before rolling free where the release is faster; the end of a
        coast-down is drawn for each.
    overrun_s, overrun_mps2 : (low, high), float
        Time in gear between throttle and neutral, and how strongly the engine holds back.
    longest_pull_s, longest_coast_s : float
        When the driver gives up.
    """

    directions: tuple[int, ...]
    runs_per_log: int = 1
    release_mps: float = 36.0
    roll_mps: float = 0.0
    first_gear: int = 1
    coast_from_mps: float = 200.0
    coast_to_mps: tuple[float, float] = (4.0, 8.0)
    overrun_s: tuple[float, float] = (0.3, 1.2)
    overrun_mps2: float = 0.3
    longest_pull_s: float = 70.0
    longest_coast_s: float = 260.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """Everything drawn for one session; `sensor` is None for a phone that records fixes only."""

    vehicle: Vehicle
    road: Road
    air: Air
    receiver: Receiver
    sensor: Sensor | None
    plan: Plan


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """One named family of sessions.

    Parameters
    ----------
    name, about, source : str
        As on the command line; what it is in a sentence; where its numbers come from.
    grade : {"clean", "rough", "one pair", "fixes only", "one way"}
        Which goals it is held to.
    draw : function
        Generator of chance -> Setup.
    """

    name: str
    about: str
    source: str
    grade: str
    draw: Callable[[np.random.Generator], Setup]
