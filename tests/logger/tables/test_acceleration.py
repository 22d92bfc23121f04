"""Acceleration columns: the length at rest names or denies the unit."""

from __future__ import annotations

import numpy as np
import pytest

from logger.errors import ReadError
from logger.tables.acceleration import AxisColumn, choose_accel

#: Standard gravity [m/s2], by definition (CGPM 1901).
_GRAVITY_MPS2 = 9.80665


def _axes(length_mps2: float, unit: str | None = "m/s2") -> tuple[list[AxisColumn], np.ndarray]:
    """A minute of a phone that lies still but for a little noise, with a vector of that length."""
    rng = np.random.default_rng(7)
    columns = [
        AxisColumn(
            axis=axis,
            values=share * length_mps2 + 0.02 * rng.standard_normal(3000),
            header=f"a{axis}",
            unit=unit,
            flavour="gravity included",
        )
        for axis, share in (("x", 0.6), ("y", 0.0), ("z", 0.8))
    ]
    return columns, np.arange(3000) / 50.0


@pytest.mark.parametrize(("share", "warned"), [(1.04, False), (0.94, True), (1.11, True)])
def test_a_sensor_that_is_off_is_read_with_a_warning(share: float, warned: bool) -> None:
    """Offsets of 0.2 m/s2 an axis are common, of 0.6 seen: common practice, no source."""
    columns, t_s = _axes(share * _GRAVITY_MPS2)
    found, notes = choose_accel(columns, t_s, "log.csv")
    assert [column.name for column in found] == ["accel_x_mps2", "accel_y_mps2", "accel_z_mps2"]
    np.testing.assert_allclose(found[0].values, columns[0].values)
    kinds = [("accel_off_gravity", "warning")] if warned else []
    assert [(note.kind, note.severity) for note in notes] == kinds


def test_a_length_that_no_sensor_in_that_unit_has_is_refused() -> None:
    """Feet per second squared (32.2 at rest) under a header of metres."""
    columns, t_s = _axes(_GRAVITY_MPS2 / 0.3048)
    with pytest.raises(ReadError, match="at rest the acceleration in ax, ay, az is 32"):
        choose_accel(columns, t_s, "log.csv")
