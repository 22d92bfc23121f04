"""Public recordings of real phones and receivers: right channels, rates and top speeds.

They are not part of the project. The environment variable PULLCOAST_OPEN_LOGS names the folder
that holds them; without it these tests are skipped. Rates and speeds were measured beforehand
with other means; no position is compared or printed.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

from logger.errors import ReadError
from logger.reading import read, read_log
from logger.recording import Recording
from logger.writing import write_table

FOLDER = os.environ.get("PULLCOAST_OPEN_LOGS")
pytestmark = pytest.mark.skipif(
    FOLDER is None, reason="PULLCOAST_OPEN_LOGS is not set: no folder of open recordings"
)
ACCEL = {"accel_x_mps2", "accel_y_mps2", "accel_z_mps2"}
PLACE = {"latitude_deg", "longitude_deg", "elevation_m"}


@dataclass(frozen=True)
class OpenLog:
    """What is known of one recording."""

    files: tuple[str, ...]
    channels: set[str]
    #: fixes per second, acceleration samples per second (None: has none)
    rates_hz: tuple[float, float | None]
    #: fastest usable speed [m/s], None where the file has no speed
    top_mps: float | None
    kinds: set[str] = field(default_factory=set)


LOGS = [
    OpenLog(
        ("phone_two_files/accel.csv", "phone_two_files/gps.csv"),
        ACCEL | PLACE | {"speed_mps", "heading_deg"},
        (1.0, 16.7),
        67.9 / 3.6,
        {"clock_assumed", "doublets"},
    ),
    OpenLog(
        ("phone_row_merged/drive.csv",),
        ACCEL
        | PLACE
        | {"speed_mps", "heading_deg", "position_accuracy_m"}
        | {"rotation_x_radps", "rotation_y_radps", "rotation_z_radps"},
        (1.048, 9.434),
        51.3 / 3.6,
        {"held_values", "hole", "repeated_fix"},
    ),
    OpenLog(
        ("bus_phone/drive.csv",),
        ACCEL | PLACE | {"speed_mps"},
        (1.0, 17.2),
        14.09,
        {"zone_unknown", "accel_unit_found", "speed_unit_assumed", "rotation_unit_unknown",
         "unknown_code", "held_values"},
    ),
    OpenLog(
        ("car_box/drive.csv",),
        ACCEL | PLACE | {"speed_mps", "heading_deg", "engine_speed_rpm", "throttle_percent"},
        (1.0, 1.0),
        57.7564504543466 * 0.44704,
        {"accel_unit_found", "rotation_unit_unknown", "hole", "accel_hole"},
    ),
    OpenLog(("car_nmea/drive.nmea",), PLACE | {"speed_mps", "heading_deg"}, (0.5, None),
            48.9 * 1852 / 3600),
    OpenLog(("receiver_nmea/ten_hz.log",), PLACE | {"speed_mps", "heading_deg"}, (10.0, None),
            3.252 * 1852 / 3600, {"hole"}),
    OpenLog(("receiver_nmea/two_hz.log",), PLACE | {"speed_mps", "heading_deg"}, (2.0, None),
            0.114 * 1852 / 3600),
    OpenLog(("receiver_nmea/binary_between.log",), PLACE | {"speed_mps"}, (1.0, None),
            0.052 * 1852 / 3600),
    OpenLog(("receiver_nmea/time_steps_back.log",), PLACE | {"speed_mps", "heading_deg"},
            (1.0, None), 0.3 * 1852 / 3600, {"void_fix", "time_steps_back"}),
    OpenLog(("small_gpx/track_with_speed.gpx",), PLACE | {"speed_mps"}, (1 / 6.5, None), 3.2),
    OpenLog(("small_gpx/car_trip.gpx",), PLACE, (1.0, None), None, {"hole"}),
    OpenLog(("small_gpx/track-with-less-sec-time.gpx",), PLACE, (1 / 0.994, None), None),
]  # fmt: skip


def load(log: OpenLog) -> Recording:
    assert FOLDER is not None
    return read_log([Path(FOLDER) / name for name in log.files])


@pytest.mark.parametrize("log", LOGS, ids=lambda log: log.files[0])
def test_channels_rates_and_top_speed(log: OpenLog) -> None:
    recording = load(log)
    assert {channel.name for channel in recording.channels} == log.channels
    fix = recording.channel("speed_mps") or recording.channel("latitude_deg")
    assert fix is not None
    assert fix.rate_hz == pytest.approx(log.rates_hz[0], rel=0.02)
    accel = recording.channel("accel_z_mps2")
    if log.rates_hz[1] is None:
        assert accel is None
    else:
        assert accel is not None
        assert accel.rate_hz == pytest.approx(log.rates_hz[1], rel=0.02)
    speed = recording.channel("speed_mps")
    if log.top_mps is None:
        assert speed is None
    else:
        assert speed is not None
        # the file's own number, converted
        assert speed.values[~speed.suspect].max() == pytest.approx(log.top_mps, rel=1e-9)
    assert {finding.kind for finding in recording.findings} == log.kinds


@pytest.mark.parametrize("log", LOGS, ids=lambda log: log.files[0])
def test_acceleration_is_in_si_whatever_the_file_had(log: OpenLog) -> None:
    recording = load(log)
    axes = [recording.channel(f"accel_{axis}_mps2") for axis in "xyz"]
    vectors = [axis.values for axis in axes if axis is not None]
    if len(vectors) == 3:
        # the usual length is gravity, within 5 % for vibration and the sensor's scale
        lengths = np.linalg.norm(vectors, axis=0)
        assert np.median(lengths) == pytest.approx(9.81, rel=0.05)


@pytest.mark.parametrize("log", LOGS, ids=lambda log: log.files[0])
def test_written_as_own_table_it_comes_back(log: OpenLog, tmp_path: Path) -> None:
    recording = load(log)
    path = tmp_path / "log.csv.gz"
    write_table(path, recording)
    again = read(path)
    start = min(channel.t_s[0] for channel in recording.channels)
    for channel in recording.channels:
        other = again.channel(channel.name)
        assert other is not None
        np.testing.assert_allclose(other.t_s, channel.t_s - start, rtol=0, atol=1e-9)
        np.testing.assert_allclose(other.values, channel.values, rtol=0, atol=0)


@pytest.mark.parametrize(
    ("name", "word"),
    [
        ("gpx1.1_with_extensions_without_namespaces.gpx", "no track points"),
        ("track_with_dilution_errors.gpx", "none with a time"),
        ("unicode_with_bom.gpx", "no track points"),
        ("unicode_with_bom_noencoding.gpx", "no track points"),
    ],
)
def test_gpx_without_a_timed_track_is_refused_and_says_what_it_holds(name: str, word: str) -> None:
    assert FOLDER is not None
    with pytest.raises(ReadError, match=word):
        read(Path(FOLDER) / "small_gpx" / name)


def test_segments_and_missing_creator_are_no_obstacle() -> None:
    assert FOLDER is not None
    track = read(Path(FOLDER) / "small_gpx" / "no_creator.gpx")
    assert track.channels[0].t_s.size == 296
    assert "several_segments" in {finding.kind for finding in track.findings}
    empty = read(Path(FOLDER) / "small_gpx" / "track-with-empty-segment.gpx")
    assert empty.channels[0].t_s.size == 9
