"""Published road loads and masses, put into simulated vehicles whose engines are invented.

Sources: US EPA test car list of model year 2022 (target coefficients A, B, C in lbf, lbf/mph,
lbf/mph^2 and equivalent test weight in lb); vehicles of the official WLTP shift tool as the Joint
Research Centre publishes them (test mass, f0, f1, f2 in N and km/h). The last one's F1 of
-1.6 N/(m/s) is of the size that the EPA list has in a fifth of its rows; its other figures are invented.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.simulate.vehicle import SimVehicle, draw_vehicle

__all__ = ["PUBLISHED", "published_vehicle"]

_LB_KG = 0.45359237
_LBF_N = 4.4482216152605
_MPH_MPS = 0.44704

#: Name -> mass [kg], F0 [N], F1 [N/(m/s)], F2 [N/(m/s)^2].
PUBLISHED: dict[str, tuple[float, float, float, float]] = (
    {
        name: (
            weight * _LB_KG,
            a * _LBF_N,
            b * _LBF_N / _MPH_MPS,
            c * _LBF_N / _MPH_MPS**2,
        )
        for name, weight, a, b, c in (
            ("EPA 2022 Mazda MX-5 6M", 2750, 31.795, 0.23925, 0.017549),
            ("EPA 2022 Toyota Corolla 1.8 6M", 3125, 18.250, 0.21996, 0.016366),
            ("EPA 2022 Honda Civic 5D 2.0 6M", 3250, 23.560, 0.12140, 0.017770),
            ("EPA 2022 VW Golf GTI 6M", 3500, 25.670, 0.42330, 0.016480),
            ("EPA 2022 Toyota Camry LE/SE", 3625, 25.587, 0.19688, 0.016371),
            ("EPA 2022 Porsche 911 Carrera", 4000, 44.512, 0.66932, 0.014498),
            ("EPA 2022 Nissan Leaf", 3875, 25.890, 0.34490, 0.019450),
            ("EPA 2022 Chevrolet Bolt EV", 3875, 30.510, 0.01520, 0.021510),
            ("EPA 2022 Tesla Model Y LR", 4750, 34.260, 0.31910, 0.014200),
        )
    }
    | {
        name: (mass, f0, 3.6 * f1, 12.96 * f2)
        for name, mass, f0, f1, f2 in (
            ("WLTP vehicle 1", 1700.0, 200.00, 0.350, 0.03200),
            ("WLTP vehicle 3", 1250.0, 133.00, 0.330, 0.03000),
            ("WLTP vehicle 4", 1700.0, 77.68, 0.671, 0.03460),
            ("WLTP vehicle 5", 1589.0, 139.71, 0.673, 0.04650),
            ("WLTP vehicle 6", 1020.0, 76.76, 0.516, 0.03000),
            ("WLTP vehicle 7", 2734.0, 293.30, 0.000, 0.09172),
            ("WLTP vehicle 14", 1500.0, 160.00, 0.680, 0.03300),
        )
    }
    | {"negative F1": (1600.0, 165.0, -1.6, 0.48)}
)


def published_vehicle(name: str, seed: int) -> SimVehicle:
    """Return a simulated vehicle with published mass and road load and an engine drawn by `seed`.

    Rotating mass 3 % within 0.5 % (UN GTR No. 15), mass known to 0.3 %.
    """
    mass, f0, f1, f2 = PUBLISHED[name]
    return replace(
        draw_vehicle(np.random.default_rng([seed, 1])),
        name=name,
        mass_kg=mass,
        mass_sd_kg=0.003 * mass,
        rotating_mass_kg=0.03 * mass,
        rotating_mass_sd_kg=0.005 * mass,
        f0_n=f0,
        f1_n_per_mps=f1,
        f2_n_per_mps2=f2,
    )
