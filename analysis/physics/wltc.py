"""Road energy over a driving cycle: what the wheels must give, by the formula of UN GTR No. 15."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np

from logger.arrays import Array

__all__ = ["WLTC_PATH", "cycle_energy_j_per_m", "wltc_class_3b_kmh"]

#: Speeds of the WLTC for vehicles of class 3b at full seconds [km/h]; UN GTR No. 15, Annex 1.
WLTC_PATH = Path(__file__).with_name("wltc_class_3b.txt")


@cache
def wltc_class_3b_kmh() -> Array:
    """Return the cycle's 1801 speeds at full seconds [km/h]."""
    speeds = np.array(WLTC_PATH.read_text(encoding="ascii").split(), dtype=np.float64)
    speeds.setflags(write=False)
    return speeds


def cycle_energy_j_per_m(
    speed_kmh: Array,
    road_load: tuple[float, float, float],
    inertia_kg: float,
) -> float:
    """Return the positive energy at the wheels over a cycle, per metre of it.

    Parameters
    ----------
    speed_kmh : array of shape (n,)
        At full seconds [km/h].
    road_load : (f0, f1, f2)
        [N, N/(m/s), N/(m/s)^2].
    inertia_kg : float
        Effective mass [kg]; 1.03 times the test mass in the regulation.

    Returns
    -------
    float
        ``SUM F_i d_i over F_i > 0`` over the distance [J/m]: road energy only, without engine,
        driveline and accessories. 1 J/m is 0.02778 kWh per 100 km.

    Notes
    -----
    ``F_i = f0 + f1 v + f2 v^2 + 1.03 TM a_i`` at the mean speed of each second: UN GTR No. 15, Annex 7,
    5.
    """
    v = speed_kmh / 3.6
    mean, accel = 0.5 * (v[1:] + v[:-1]), np.diff(v)
    f0, f1, f2 = road_load
    force = f0 + f1 * mean + f2 * mean**2 + inertia_kg * accel
    return float(np.sum(np.where(force > 0.0, force * mean, 0.0)) / np.sum(mean))
