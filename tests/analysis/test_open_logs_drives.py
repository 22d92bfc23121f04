"""Public recordings of ordinary drives: a believable speed curve, and no result sold from them.

None of them holds a neutral coast-down. The folder is the one that PULLCOAST_OPEN_LOGS names, with
the recordings' own folder names; without it these tests are skipped. No position is printed.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from analysis.pipeline import analyse
from analysis.results.checks.validity import NothingUsable
from analysis.runs.survey import survey
from logger.reading import read_log
from logger.recording import Recording
from logger.session.keys import VehicleKind
from logger.session.session import ColumnChoice, LogEntry, Session, Vehicle

_FOLDER = os.environ.get("PULLCOAST_OPEN_LOGS")
pytestmark = pytest.mark.skipif(not _FOLDER, reason="PULLCOAST_OPEN_LOGS names no folder")

#: Files of each drive, its top speed [m/s] where the file holds speed, and a mass as its kind has [kg] (invented).
_DRIVES: dict[str, tuple[tuple[str, ...], float | None, float]] = {
    "phone_two_files": (("accel.csv", "gps.csv"), 18.86, 1500.0),
    "phone_row_merged": (("drive.csv",), 14.25, 1500.0),
    "bus_phone": (("drive.csv",), 14.09, 12000.0),
    "car_box": (("drive.csv",), 25.82, 1500.0),
    "car_nmea": (("drive.nmea",), 25.16, 1500.0),
    "small_gpx": (("car_trip.gpx",), None, 1500.0),
}


def _paths(name: str) -> list[Path]:
    return [Path(_FOLDER or "") / name / file for file in _DRIVES[name][0]]


def _recording(name: str) -> Recording:
    return read_log(_paths(name))


@pytest.mark.parametrize("name", sorted(_DRIVES))
def test_the_speed_curve_of_a_drive_is_believable(name: str) -> None:
    found = survey(_recording(name))
    assert found.curve is not None
    known = np.isfinite(found.curve.speed_mps)
    speed, accel = found.curve.speed_mps[known], found.curve.accel_mps2[known]
    # smoothing may take a little off the top fix, and noise may add a little
    top_mps = _DRIVES[name][1]
    if top_mps is not None:
        assert float(speed.max()) == pytest.approx(top_mps, rel=0.06)
    assert float(speed.max()) < 40.0
    assert float(speed.min()) > -1.5
    # no car brakes or pulls harder than its tyres hold
    assert float(np.percentile(np.abs(accel), 99.5)) < 9.0
    assert np.all(found.curve.speed_sd_mps[known] > 0.0)


#: More ordinary drives: their files, and what settles a column that two could be meant by.
_MORE: dict[str, tuple[tuple[str, ...], dict[str, ColumnChoice]]] = {
    "car_box_2": (("drive.csv",), {}),
    "car_box_3": (("drive.csv",), {}),
    "car_plug_1": (("drive.csv",), {"speed_mps": ColumnChoice(header="speed", unit=None)}),
    "car_sensor_box_1": (("gps.csv",), {}),
    "car_sensor_box_2": (("gps.csv",), {}),
    "car_sensor_box_3": (("gps.csv",), {}),
    "car_sensor_box_4": (("gps.csv",), {}),
    "phone_motorway": (("gps.csv",), {}),
    "ramp_with_wheel_speed": (("gnss_10hz.csv",), {}),
}


#: The accelerometer of each of these, which a user would give along.
_WITH_ACCELEROMETER = {
    **{f"car_sensor_box_{number}": "motion.csv.gz" for number in range(1, 5)},
    "ramp_with_wheel_speed": "accel.csv",
}


@pytest.mark.parametrize("both", [False, True])
@pytest.mark.parametrize("name", sorted(_MORE))
def test_driving_in_traffic_is_no_session(name: str, both: bool) -> None:
    """The folders' own description: none holds a full-throttle pull with a neutral coast-down."""
    files, columns = _MORE[name]
    if both and name not in _WITH_ACCELEROMETER:
        pytest.skip("its one file holds everything")
    files = (*files, _WITH_ACCELEROMETER[name]) if both else files
    paths = tuple(Path(_FOLDER or "") / name / file for file in files)
    vehicle = Vehicle(
        mass_kg=1500.0, mass_sd_kg=15.0, rotating_mass_kg=45.0, rotating_mass_sd_kg=7.5
    )
    session = Session(path=Path(), name=name, vehicle=vehicle, logs=(LogEntry(files=paths),))
    with pytest.raises(NothingUsable) as refused:
        analyse(session, (read_log(paths, columns=columns),))
    assert "neutral coast-down" in " ".join(refused.value.reasons)


@pytest.mark.parametrize("mass_share", [0.8, 1.0, 1.3])
@pytest.mark.parametrize("name", sorted(_DRIVES))
def test_no_result_is_sold_from_an_ordinary_drive(name: str, mass_share: float) -> None:
    """In-gear slowing and traffic are no coast-downs, whatever mass the user believes in."""
    mass_kg = _DRIVES[name][2] * mass_share
    kind: VehicleKind = "truck" if name == "bus_phone" else "car"
    vehicle = Vehicle(
        mass_kg=mass_kg,
        mass_sd_kg=0.01 * mass_kg,
        rotating_mass_kg=0.03 * mass_kg,
        rotating_mass_sd_kg=0.005 * mass_kg,
        kind=kind,
    )
    session = Session(
        path=Path(), name="drive", vehicle=vehicle, logs=(LogEntry(files=tuple(_paths(name))),)
    )
    with pytest.raises(NothingUsable) as refused:
        analyse(session, (_recording(name),))
    assert refused.value.reasons
