"""results.json, the two tables, and a road load read back: what other programs rely on."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from make_analysis import KINDS, Kind, make_analysis, with_comparisons, with_extras
from make_written import SCHEMAS, valid

from analysis.report.csv_files import CURVES_HEADER, SPEED_TIME_HEADER, curves_csv, speed_time_csv
from analysis.report.json_text import ResultError, json_text
from analysis.report.read_results import read_results_road_load
from analysis.report.results_json import results_dict
from analysis.results.corrections import AmbientCorrection, CrankEstimate
from analysis.results.road_load import ReferenceRoadLoad
from analysis.runs.run import Phase, Run
from logger.errors import ReadError

# The contract's keys, written out by hand from the format's description: a key that goes missing or
# changes its name breaks every program that reads the file.
_KEYS = {
    "": "format session air road_load wheel_power pulls coasts site sensors crank_power corrections "
    "resistance regulation engine predictions findings trust history",
    "session": "name mass_kg mass_sd_kg rotating_mass_kg rotating_mass_sd_kg logs runs runs_up "
    "runs_down vehicle kind state",
    "air": "density_kg_m3 density_sd_kg_m3 source",
    "road_load": "F0_N F1_N_per_mps F2_N_per_mps2 covariance order why_not speed_range_mps curve "
    "budget reference plain",
    "road_load.curve": "speed_mps force_N sd_N",
    "road_load.budget": "noise wind slope lag mount mass",
    "road_load.reference": "temperature_C pressure_kPa F0_N F1_N_per_mps F2_N_per_mps2 covariance",
    "wheel_power": "peak_W peak_sd_W peak_ci95_W peak_speed_mps curve budget lower_bound_below_mps "
    "scatter_factor",
    "wheel_power.curve": "speed_mps power_W sd_W gear",
    "wheel_power.budget": "noise road_load lag mount mass",
    "pulls": "log start_s end_s from_mps to_mps duration_s duration_sd_s distance_m "
    "kinetic_mean_power_W mean_power_W mean_power_sd_W peak_power_W peak_power_sd_W direction run",
    "coasts": "log start_s end_s from_mps to_mps direction used why_not run",
    "site": "wind_mps wind_sd_mps slope_percent slope_sd_percent separable",
    "sensors": "log gps_rate_hz gps_lag_s gps_lag_sd_s accel_rate_hz accel_scale accel_used why_not",
    "crank_power": "peak_W low_W high_W loss_percent",
    "corrections": "standard factor valid why_not peak_W",
    "resistance": "drag_area_m2 drag_area_sd_m2 drag_coefficient drag_coefficient_sd "
    "rolling_coefficient rolling_coefficient_sd rolling_coefficient_usual F2_usual_N_per_mps2 "
    "usual_source",
    "regulation": "speed_mps half_width_mps pairs pair_times_s mean_time_s precision_percent meets "
    "force_N road_load_N road_load_sd_N",
    "engine": "rolling_radius_m why_not gears",
    "engine.gears": "piece gear overall_ratio measured_ratio measured_ratio_sd slip_percent "
    "slow_test_peak_W curve",
    "engine.gears.curve": "engine_speed_rpm torque_Nm power_W sd_W",
    "predictions": "air items",
    "predictions.items": "name group unit value sd ci95 why_not",
    "findings": "kind severity log text run",
    "trust": "level why interval_leaves_out",
    "history": "step version settings",
}


def _results(kind: Kind = "full") -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads(json_text(results_dict(make_analysis(kind))))
    return loaded


@pytest.mark.parametrize("kind", KINDS)
def test_results_follow_the_published_schema(kind: Kind) -> None:
    valid(json.dumps(_results(kind)))


@pytest.mark.parametrize(
    ("change", "value"),
    [
        (("format",), "pullcoast-results/2"),
        (("wheel_power", "peak_sd_W"), 0.0),
        (("wheel_power", "peak_W"), None),
        (("road_load", "F0_N"), None),  # alone, without its covariance and a reason
        (("air", "source"), "guessed"),
        (("pulls", 0, "direction"), 0),
        (("findings", 0, "severity"), "fatal"),
    ],
)
def test_schema_refuses_what_the_contract_rules_out(change: tuple[Any, ...], value: object) -> None:
    results = _results()
    holder: Any = results
    for key in change[:-1]:
        holder = holder[key]
    holder[change[-1]] = value
    for folder in SCHEMAS:
        schema = json.loads((folder / "results.schema.json").read_text(encoding="utf-8"))
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(results, schema, cls=jsonschema.Draft202012Validator)


def test_every_key_of_the_contract_is_there_and_no_other() -> None:
    outcome = with_extras(
        with_comparisons(make_analysis()),
        reference_road_load=ReferenceRoadLoad(
            temperature_c=20.0,
            pressure_kpa=100.0,
            f0_n=147.0,
            f1_n_per_mps=1.18,
            f2_n_per_mps2=0.41,
        ),
        crank=CrankEstimate(
            peak_w=92_000.0, low_w=88_500.0, high_w=95_000.0, loss_percent=(12.0, 18.0)
        ),
        corrections=(
            AmbientCorrection(
                standard="SAE J1349", factor=1.01, valid=True, why_not=None, peak_w=78_800.0
            ),
        ),
    )
    results = results_dict(outcome)
    for place, words in _KEYS.items():
        item: Any = results
        for key in place.split(".") if place else ():
            item = item[key]
            item = item[0] if isinstance(item, list) else item
        assert set(item) == set(words.split()), place


def test_what_is_unknown_is_null_and_never_zero() -> None:
    assert _results("coasts_only")["wheel_power"] is None
    assert _results("coasts_only")["pulls"] == []
    assert _results("full")["crank_power"] is None
    assert _results("full")["road_load"]["reference"] is None
    sensor = _results("gps_only")["sensors"][0]
    assert [sensor[k] for k in ("gps_lag_s", "gps_lag_sd_s", "accel_rate_hz", "accel_scale")] == [
        None
    ] * 4
    assert sensor["why_not"]


def test_narrow_speed_range_keeps_the_curve_and_drops_the_coefficients() -> None:
    load = _results("narrow")["road_load"]
    assert load["F0_N"] is load["F1_N_per_mps"] is load["F2_N_per_mps2"] is None
    assert load["covariance"] is None
    assert "23 to 27 m/s" in load["why_not"]
    assert len(load["curve"]) == 9  # 23.0, 23.5 ... 27.0


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), 0.0, -1.0])
def test_no_interval_of_nothing_or_of_nonsense_leaves_the_program(bad: float) -> None:
    outcome = make_analysis()
    assert outcome.power is not None
    spoilt = replace(outcome, power=replace(outcome.power, peak_sd_w=bad))
    with pytest.raises(ResultError, match="wheel_power.peak_sd_W"):
        results_dict(spoilt)


def test_a_stated_mass_may_be_exact() -> None:
    outcome = make_analysis()
    vehicle = replace(outcome.session.vehicle, mass_sd_kg=0.0)
    exact = replace(outcome, session=replace(outcome.session, vehicle=vehicle))
    assert results_dict(exact)["session"]["mass_sd_kg"] == 0.0


def test_results_are_plain_ascii_whatever_the_names_are() -> None:
    outcome = make_analysis()
    odd = replace(outcome, session=replace(outcome.session, name="Straße \udce9 🚗"))
    text = json_text(results_dict(odd))
    assert text.isascii()
    assert json.loads(text)["session"]["name"] == "Straße \udce9 🚗"


def test_curves_csv_holds_the_curves_of_the_results() -> None:
    results = _results()
    rows = list(csv.DictReader(io.StringIO(curves_csv(make_analysis()))))
    assert ",".join(rows[0]) == CURVES_HEADER == "curve,gear,speed_mps,value,sd,unit"
    loads = [row for row in rows if row["curve"] == "road_load"]
    powers = [row for row in rows if row["curve"] == "wheel_power"]
    assert {(row["gear"], row["unit"]) for row in loads} == {("", "N")}
    assert {(row["gear"], row["unit"]) for row in powers} == {("1", "W"), ("2", "W"), ("3", "W")}
    for rows_, curve, value, sd in (
        (loads, results["road_load"]["curve"], "force_N", "sd_N"),
        (powers, results["wheel_power"]["curve"], "power_W", "sd_W"),
    ):
        # the file rounds values to 7 digits and sds to 4
        assert [float(r["value"]) for r in rows_] == pytest.approx([c[value] for c in curve], 1e-6)
        assert [float(r["sd"]) for r in rows_] == pytest.approx([c[sd] for c in curve], 1e-3)
        assert [float(r["speed_mps"]) for r in rows_] == pytest.approx(
            [c["speed_mps"] for c in curve], 1e-6
        )
    assert all(float(row["speed_mps"]) % 0.5 == 0 for row in loads)


def test_speed_time_csv_gives_each_sample_its_run_and_phase() -> None:
    outcome = make_analysis()
    text = speed_time_csv(outcome.curves, outcome.runs)
    rows = list(csv.DictReader(io.StringIO(text)))
    assert text.splitlines()[0] == SPEED_TIME_HEADER
    assert len(rows) == sum(curve.time_s.size for curve in outcome.curves)
    for row in rows[:: len(rows) // 400]:
        run = outcome.runs[int(row["run"]) - 1]
        time = float(row["time_s"])
        # a sample on the border of two phases may belong to either
        fitting = [p for p in run.phases if p.start_s - 5e-4 <= time <= p.end_s + 5e-4]
        assert row["phase"] in [phase.kind for phase in fitting]
        assert row["used"] in [str(phase.used).lower() for phase in fitting]
        assert int(row["log"]) == run.log
    index = 700  # one sample checked number by number
    curve = outcome.curves[0]
    assert float(rows[index]["time_s"]) == pytest.approx(curve.time_s[index], abs=5e-4)
    assert float(rows[index]["speed_mps"]) == pytest.approx(curve.speed_mps[index], abs=5e-5)
    assert float(rows[index]["accel_mps2"]) == pytest.approx(curve.accel_mps2[index], abs=5e-5)
    assert float(rows[index]["place_m"]) == pytest.approx(curve.place_m[index], abs=5e-3)


def test_holes_are_empty_cells_and_time_outside_of_runs_is_other() -> None:
    curve = make_analysis(logs=1).curves[0]
    speed = curve.speed_mps.copy()
    speed[40:60] = np.nan
    holed = replace(curve, speed_mps=speed)
    run = Run(
        log=0,
        number=0,
        direction=1,
        phases=(Phase(kind="coast", start_s=2.0, end_s=7.0, from_mps=30.0, to_mps=20.0),),
    )
    rows = list(csv.DictReader(io.StringIO(speed_time_csv([holed], [run]))))
    assert [row["speed_mps"] == "" for row in rows[39:61]] == [False] + [True] * 20 + [False]
    assert [rows[i]["phase"] for i in (19, 20, 69, 70, 71)] == [
        "other", "coast", "coast", "coast", "other",
    ]  # fmt: skip
    assert (rows[0]["run"], rows[0]["used"]) == ("", "false")
    assert (rows[30]["run"], rows[30]["used"]) == ("1", "true")
    assert "nan" not in speed_time_csv([holed], [run])


# --- a road load read back -------------------------------------------------------------------


def _written(folder: Path, results: object) -> Path:
    path = folder / "results.json"
    path.write_text(results if isinstance(results, str) else json.dumps(results), encoding="utf-8")
    return path


def test_road_load_comes_back_as_it_was(tmp_path: Path) -> None:
    wanted = make_analysis().road_load
    assert wanted is not None
    found = read_results_road_load(_written(tmp_path, _results()))
    speed = np.linspace(5, 32, 9)
    # JSON keeps every digit of a float
    np.testing.assert_allclose(found.force_n(speed), wanted.force_n(speed), rtol=1e-15)
    np.testing.assert_allclose(found.force_sd_n(speed), wanted.force_sd_n(speed), rtol=1e-12)
    assert found.speed_range_mps == wanted.speed_range_mps
    assert found.budget_n == wanted.budget_n
    assert found.budget_speed_mps == pytest.approx(wanted.budget_speed_mps)
    assert found.separable


def _spoilt(**changes: object) -> dict[str, Any]:
    results = _results()
    results["road_load"].update(changes)
    return results


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("", r"line 1, column 1: is not JSON"),
        ('{"format": "pullcoast-results/1",\n "road_load": }', r"line 2, column 15"),
        ("[1, 2]", r'no key "format"'),
        ({"format": "x/1"}, r'"x/1"; expected "pullcoast-results/1"'),
        ({**_results(), "road_load": None}, r"road_load is null"),
        ({**_results(), "road_load": [1]}, r"road_load is not an object"),
        (_results("narrow"), r"coefficients of road_load are null \(the coast-downs cover only"),
        (_spoilt(F1_N_per_mps="3"), r'road_load.F1_N_per_mps is "3"; expected a finite number'),
        (_spoilt(F1_N_per_mps=True), r"road_load.F1_N_per_mps is true"),
        (_spoilt(F0_N=float("nan")), r"road_load.F0_N is NaN"),
        (_spoilt(F2_N_per_mps2=10**400), r"road_load.F2_N_per_mps2 is"),
        (_spoilt(speed_range_mps=[30, 5]), r"speed_range_mps is \[30.0, 5.0\]"),
        (_spoilt(speed_range_mps=None), r"speed_range_mps is null; expected 2 numbers"),
        (_spoilt(order=["F2_N_per_mps2", "F1_N_per_mps", "F0_N"]), r"road_load.order"),
        (_spoilt(covariance=[[1, 0], [0, 1]]), r"covariance is .*expected 3 rows"),
        (_spoilt(covariance=[[1, 0, 0], [0, 1, 0], [0, 0, 0]]), r"variance of 0 or less"),
        (_spoilt(covariance=[[1, 0.5, 0], [0, 1, 0], [0, 0, 1]]), r"not symmetric"),
        (_spoilt(covariance=[[1, 2, 0], [2, 1, 0], [0, 0, 1]]), r"negative eigenvalue"),
        ("[" * 100_000, r"is not JSON of a usable shape"),
    ],
)
def test_what_is_no_road_load_is_refused_with_its_place(
    tmp_path: Path, content: object, message: str
) -> None:
    path = _written(tmp_path, content)
    with pytest.raises(ReadError, match=message) as caught:
        read_results_road_load(path)
    assert str(path) in str(caught.value)


def test_what_is_no_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ReadError, match="cannot be opened"):
        read_results_road_load(tmp_path / "missing.json")
    with pytest.raises(ReadError, match="is a folder"):
        read_results_road_load(tmp_path)
    (tmp_path / "picture.json").write_bytes(b"\xff\xd8\xff\xe0")
    with pytest.raises(ReadError, match="not UTF-8"):
        read_results_road_load(tmp_path / "picture.json")
