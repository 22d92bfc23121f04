"""Headings of tables: what each word says, in which unit, and what is of other things."""

from __future__ import annotations

import pytest

from logger.recording import CHANNEL_NAMES
from logger.tables.headers import OWN_COLUMNS, read_header

HEADERS = [
    ("Speed (km/h)", "speed_mps", "km/h"),
    ("velocity [m/s]", "speed_mps", "m/s"),
    ("speed_kmh", "speed_mps", "kmh"),
    ("LOCATION Speed ( Kmh)", "speed_mps", "Kmh"),
    ("gps_speed_mph", "speed_mps", "mph"),
    ("GPS speed in kn", "speed_mps", "kn"),
    ("speed", "speed_mps", None),
    ("v [m/s]", "speed_mps", "m/s"),
    ("speed_m_s", "speed_mps", "m/s"),
    ("speedAccuracy", "speed_accuracy_mps", None),
    ("speed accuracy (m/s)", "speed_accuracy_mps", "m/s"),
    ("horizontalAccuracy", "position_accuracy_m", None),
    ("Latitude (°)", "latitude_deg", "°"),
    ("lon", "longitude_deg", "deg"),
    ("Altitude ( ft)", "elevation_m", "ft"),
    ("course", "heading_deg", "deg"),
    ("acc x [g]", "accel_x_mps2", "g"),
    ("ACCELEROMETER Y (m/s²)", "accel_y_mps2", "m/s²"),
    ("accelerationIncludingGravity.z", "accel_z_mps2", None),
    ("userAccelerationX", "accel_x_mps2", None),
    ("gyroY (deg/s)", "rotation_y_radps", "deg/s"),
    ("rotationRate.alpha", "rotation_z_radps", None),
    ("engine rpm", "engine_speed_rpm", "rpm"),
    ("throttle (%)", "throttle_percent", "%"),
    ("throttle volts", "throttle_volts", "volts"),
    ("timestamp_ms", "time", "ms"),
    ("elapsed (s)", "time", "s"),
    ("Time since start in ms ", "time", "ms"),
    ("sensor_ns", "time", "ns"),
    ("t [s]", "time", "s"),
    ("received_s", "received", "s"),
]


@pytest.mark.parametrize(("header", "role", "unit"), HEADERS, ids=[h[0] for h in HEADERS])
def test_headers_say_what_and_in_which_unit(header: str, role: str, unit: str | None) -> None:
    meaning = read_header(header)
    assert meaning is not None
    assert (meaning.role, meaning.unit) == (role, unit)


@pytest.mark.parametrize(
    "header",
    [
        "MAGNETIC FIELD X (μT)",
        "orientationX",
        "quaternionW",
        "LIGHT (lux)",
        "speed_source",
        "wind speed (m/s)",
        "gps_minute",
        "accel_event",
        "gps_hdop",
        "distance_miles",
        "wheel speed sensor rpm target max speed",
        "",
    ],
)
def test_headers_of_other_things_are_not_taken(header: str) -> None:
    assert read_header(header) is None


def test_every_own_column_is_known_by_its_name() -> None:
    for name in OWN_COLUMNS:
        meaning = read_header(name)
        assert meaning is not None
        assert meaning.score == 9
    assert set(CHANNEL_NAMES) < set(OWN_COLUMNS)
