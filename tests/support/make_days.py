"""Sessions of one vehicle made by hand, with the road load, air and mass that a test states."""

from __future__ import annotations

import zlib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from make_analysis import make_analysis
from numpy.typing import NDArray

from analysis.physics.air import AirState
from analysis.physics.vehicle import effective_mass_kg
from analysis.pipeline import Analysis
from analysis.results.road_load import RoadLoad
from analysis.sessions.shared import Shared, SharedRoadLoad
from analysis.sessions.side import Side, side_of
from logger.recording import Channel

__all__ = [
    "DENSITY_KG_M3",
    "RANGE_MPS",
    "REFERENCE_AIR",
    "SPEEDS_MPS",
    "TRUE",
    "kinds",
    "load_of",
    "own_covariance",
    "sds",
    "session",
    "side",
]

#: Road load as tested: F0 [N], F1 [N/(m/s)], F2 [N/(m/s)2].
TRUE = np.array([150.0, 1.2, 0.42])
SPEEDS_MPS = np.array([50.0, 72.0, 100.0]) / 3.6
#: Density of dry air at 20 C and 100 kPa [kg/m3]: p / (R T) with R 287.05 J/(kg K).
DENSITY_KG_M3 = 100e3 / (287.05 * 293.15)
#: Reference air, whose temperature and density still have their sd.
REFERENCE_AIR = AirState(
    density_kg_m3=DENSITY_KG_M3,
    density_sd_kg_m3=0.004,
    source="measured",
    temperature_c=20.0,
    pressure_hpa=1000.0,
)
#: Speeds that the coast-downs covered.
RANGE_MPS = (5.0, 32.0)


def own_covariance(scale: float = 1.0) -> NDArray[np.float64]:
    """Return what a session leaves open but for its mass: curve errors of a few newtons."""
    basis = np.array([5.0, 18.0, 31.0])[:, None] ** np.arange(3)
    inverse = np.linalg.inv(basis)
    on_curve = np.diag([5.0, 5.0, 9.0]) ** 2 * scale**2
    return np.asarray(inverse @ on_curve @ inverse.T)


def _driven_anew(channel: Channel, rng: np.random.Generator) -> Channel:
    """Return a channel as another drive of the same kind gives it: 0.3 of its unit away, at random."""
    return replace(channel, values=channel.values + 0.3 * rng.standard_normal(channel.values.size))


def session(
    name: str,
    value: NDArray[np.float64],
    *,
    air: AirState = REFERENCE_AIR,
    scale: float = 1.0,
    mass_sd_kg: float = 8.0,
    state: str = "stock",
    vehicle: str = "estate",
    mass_kg: float = 1480.0,
    peak_w: float | None = 77_900.0,
    speeds: tuple[float, float] = RANGE_MPS,
    covariance: NDArray[np.float64] | None = None,
) -> Analysis:
    """Return an analysis with this road load as tested, and logs of its own."""
    made = make_analysis("full", logs=1)
    rng = np.random.default_rng(zlib.crc32(name.encode()))  # a drive of its own
    recordings = tuple(
        replace(one, channels=tuple(_driven_anew(channel, rng) for channel in one.channels))
        for one in made.recordings
    )
    one = replace(
        made.session.vehicle, mass_sd_kg=mass_sd_kg, state=state, name=vehicle, mass_kg=mass_kg
    )
    logs = tuple(replace(log, files=(Path("run.csv"),)) for log in made.session.logs)
    effective, effective_sd = effective_mass_kg(one)
    own = own_covariance(scale) if covariance is None else covariance
    made_load, made_power = made.road_load, made.power
    assert made_load is not None
    assert made_power is not None
    load = replace(
        made_load,
        f0_n=float(value[0]),
        f1_n_per_mps=float(value[1]),
        f2_n_per_mps2=float(value[2]),
        covariance=own + np.outer(value, value) * (effective_sd / effective) ** 2,
        speed_range_mps=speeds,
    )
    return replace(
        made,
        session=replace(made.session, name=name, vehicle=one, logs=logs, air=None),
        recordings=recordings,
        air=air,
        road_load=load,
        power=None if peak_w is None else replace(made_power, peak_w=peak_w),
    )


def side(name: str, value: NDArray[np.float64] = TRUE, **more: Any) -> Side:
    """Return a side of a made-up session; see `session`."""
    return side_of(name, session(name, value, **more))


def load_of(shared: Shared, state: int = 0) -> SharedRoadLoad:
    found = shared.states[state].road_load
    assert found is not None
    return found


def sds(load: RoadLoad, speeds: NDArray[np.float64] = SPEEDS_MPS) -> NDArray[np.float64]:
    return load.force_sd_n(speeds)


def kinds(shared: Shared) -> list[str]:
    return [finding.kind for finding in shared.findings]
