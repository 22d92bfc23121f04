"""Peak power of several sessions, and which sessions may be put together at all."""

from __future__ import annotations

import numpy as np
import pytest
from make_days import (
    DENSITY_KG_M3,
    TRUE,
    kinds,
    session,
)

from analysis.physics.air import AirState
from analysis.sessions.carry import LEAST_POWER_SPREAD
from analysis.sessions.combine import combine


def test_peak_power_is_the_inverse_variance_mean_with_the_mass_in_common() -> None:
    """By hand: two peaks of 77.9 and 79.9 kW, own sd 1123 W, mass 300 W, 1 % from day to day."""
    a, b = session("a", TRUE), session("b", TRUE, peak_w=79_900.0)
    power = combine([a, b]).states[0].power
    assert power is not None
    assert a.power is not None
    # alike in weight but for the mass's share of each peak, 0.385 and 0.375 %
    assert power.peak_w == pytest.approx(78_900.0, rel=1e-4)
    own = (a.power.peak_sd_w**2 - 300.0**2 + (LEAST_POWER_SPREAD * 78_900.0) ** 2) / 2
    # the mass's share is the smaller of the two, 1.3 % less than of their mean
    assert power.peak_sd_w == pytest.approx(np.sqrt(own + 300.0**2), rel=2e-3)
    assert power.peak_ci95_w[1] - power.peak_w == pytest.approx(1.96 * power.peak_sd_w, rel=1e-4)


def test_powers_that_disagree_are_said_to() -> None:
    days = [session("a", TRUE), session("b", TRUE), session("tuned", TRUE, peak_w=95_000.0)]
    shared = combine(days)
    (warning,) = [f for f in shared.findings if f.kind == "peak_wheel_powers_disagree"]
    assert warning.text.startswith("tuned disagrees with a and b")


def test_power_in_other_air_is_not_corrected_but_said() -> None:
    cold = AirState(
        density_kg_m3=1.06 * DENSITY_KG_M3,
        density_sd_kg_m3=0.004,
        source="measured",
        temperature_c=5.0,
        pressure_hpa=1000.0,
    )
    assert "power_air_differs" in kinds(combine([session("a", TRUE), session("b", TRUE, air=cold)]))


def test_sessions_without_pulls_share_the_road_load_only() -> None:
    state = combine([session("a", TRUE, peak_w=None), session("b", TRUE)]).states[0]
    assert state.road_load is not None
    assert state.power is not None
    assert (state.road_load.sessions, state.power.sessions) == ((0, 1), (1,))
