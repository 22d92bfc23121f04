"""`pullcoast air`: what it prints, what it refuses, and which units it suspects."""

from __future__ import annotations

import json
from typing import Any

import psychrolib
import pytest
from CoolProp.HumidAirProp import HAPropsSI

from analysis.cli.main import main
from analysis.physics.ambient import AMBIENT_FACTORS

USUAL = ("--temperature-C", "20", "--pressure-hPa", "1013.25", "--humidity-percent", "50")


def answer(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, Any]:
    assert main(["air", *arguments, "--json"]) == 0
    printed = capsys.readouterr()
    assert printed.err == ""
    found: dict[str, Any] = json.loads(printed.out)
    return found


def kinds(found: dict[str, Any]) -> list[str]:
    return [finding["kind"] for finding in found["findings"]]


@pytest.mark.parametrize(
    ("celsius", "hpa", "percent"),
    [(20.0, 1013.25, 50.0), (35.0, 950.0, 50.0), (5.0, 1020.0, 20.0), (-5.0, 1013.25, 70.0)],
)
def test_density_and_vapour_against_two_libraries(
    capsys: pytest.CaptureFixture[str], celsius: float, hpa: float, percent: float
) -> None:
    """CoolProp's equation of state and psychrolib's ideal mixture, both independent: 0.1 %."""
    found = answer(
        capsys,
        "--temperature-C",
        str(celsius),
        "--pressure-hPa",
        str(hpa),
        "--humidity-percent",
        str(percent),
    )
    state = ("T", celsius + 273.15, "P", hpa * 100.0, "R", percent / 100.0)
    coolprop = (1.0 + HAPropsSI("W", *state)) / HAPropsSI("V", *state)
    psychrolib.SetUnitSystem(psychrolib.SI)
    ratio = psychrolib.GetHumRatioFromRelHum(celsius, percent / 100.0, hpa * 100.0)
    ideal = (1.0 + ratio) / psychrolib.GetMoistAirVolume(celsius, ratio, hpa * 100.0)
    assert found["density_kg_m3"] == pytest.approx(coolprop, rel=1e-3)
    assert found["density_kg_m3"] == pytest.approx(ideal, rel=1e-3)
    if celsius > 0.0:  # below, psychrolib's is over ice
        vapour = psychrolib.GetVapPresFromRelHum(celsius, percent / 100.0) / 100.0
        assert found["vapour_pressure_hPa"] == pytest.approx(vapour, rel=1e-3)


def test_json_holds_every_factor_with_its_validity(capsys: pytest.CaptureFixture[str]) -> None:
    found = answer(capsys, *USUAL)
    assert set(found["factors"]) == set(AMBIENT_FACTORS)
    # SAE J1349 of 1990 by the formula of two articles of the trade, worked out apart from this project
    assert found["factors"]["SAE J1349 (1990)"]["factor"] == pytest.approx(0.97656, abs=1e-5)
    for factor in found["factors"].values():
        assert {"factor", "valid", "why_not"} <= set(factor)
        assert factor["valid"] is (factor["why_not"] is None)
    assert found["findings"] == []


def test_units_give_the_same_air(capsys: pytest.CaptureFixture[str]) -> None:
    # 20 C = 68 F; 1013.25 hPa = 101.325 kPa = 29.9213 inHg (conventional inch of mercury, 33.86389 hPa)
    known = answer(capsys, *USUAL)["density_kg_m3"]
    for temperature in (("--temperature-C", "20"), ("--temperature-F", "68")):
        for pressure in (("--pressure-kPa", "101.325"), ("--pressure-inHg", "29.92126")):
            found = answer(capsys, *temperature, *pressure, "--humidity-percent", "50")
            assert found["density_kg_m3"] == pytest.approx(known, rel=1e-6)


def test_text_names_reference_and_validity(capsys: pytest.CaptureFixture[str]) -> None:
    hot = ("--temperature-C", "35", "--pressure-hPa", "950", "--humidity-percent", "50")
    assert main(["air", *hot]) == 0
    text = capsys.readouterr().out
    assert "1.0622 kg/m3" in text
    assert "25 C, 990 hPa dry" in text
    assert "outside its validity" in text
    for name in AMBIENT_FACTORS:
        assert name in text
    assert max(map(len, text.splitlines())) <= 80


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        # inches of mercury given as hPa
        (("--pressure-hPa", "29.9"), ("29.9 hPa", "500 to 1100 hPa", "--pressure-inHg")),
        (("--pressure-hPa", "100.2"), ("--pressure-kPa",)),
        (("--pressure-hPa", "100200"), ("looks like Pa",)),
        (("--pressure-hPa", "nan"), ("500 to 1100 hPa",)),
        (("--temperature-C", "77"), ("-40 to 55 C", "--temperature-F")),
        (("--temperature-C", "293"), ("looks like K",)),
        (("--humidity-percent", "120"), ("0 to 100 %",)),
        (("--altitude-m", "80000"), ("-450 to 6000 m",)),
    ],
)
def test_what_is_out_of_range_is_refused_with_the_likely_unit(
    capsys: pytest.CaptureFixture[str], arguments: tuple[str, str], words: tuple[str, ...]
) -> None:
    usual = dict(zip(USUAL[::2], USUAL[1::2], strict=True)) | dict([arguments])
    assert main(["air", *(word for pair in usual.items() for word in pair)]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert arguments[0] in printed.err
    for word in words:
        assert word in printed.err


def test_suspect_units_are_told(capsys: pytest.CaptureFixture[str]) -> None:
    # 25 C given in F, 60 % given as a share: allowed values, but unlikely
    rest = ("--pressure-hPa", "1002")
    found = answer(capsys, "--temperature-F", "25", *rest, "--humidity-percent", "0.6")
    assert kinds(found) == ["air_cold", "humidity_low"]
    assert "-3.9 C" in found["findings"][0]["text"]
    assert "60 %" in found["findings"][1]["text"]
    found = answer(capsys, "--temperature-F", "57", *rest, "--humidity-percent", "0")
    assert kinds(found) == []


def test_pressure_reduced_to_sea_level_is_suspected_at_altitude(
    capsys: pytest.CaptureFixture[str],
) -> None:
    # ISO 2533: 954.6 hPa at 500 m, so 1013 hPa there is 6 % too high
    assert kinds(answer(capsys, *USUAL, "--altitude-m", "500")) == ["pressure_reduced_to_sea_level"]
    assert kinds(answer(capsys, *USUAL, "--altitude-m", "50")) == []


def test_one_temperature_and_one_pressure(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["air", *USUAL, "--temperature-F", "68"]) == 2
    assert main(["air", *USUAL[2:]]) == 2
    assert "--temperature-C" in capsys.readouterr().err


def test_values_are_typed_with_their_units_as_everywhere(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """68 F are 20 C, 101.325 kPa are 1013.25 hPa: by definition; the old spellings still work."""
    plain = answer(capsys, *USUAL)
    for typed in (
        ("--temperature", "20C", "--pressure", "1013.25hPa", "--humidity", "50%"),
        ("--temperature", "68F", "--pressure", "101.325kPa"),
    ):
        assert answer(capsys, *typed)["density_kg_m3"] == pytest.approx(plain["density_kg_m3"])
    assert main(["air", "--temperature", "20", "--pressure", "1013hPa"]) == 2
    assert "'20' has no unit" in capsys.readouterr().err
    assert main(["air", "--temperature", "20C", "--temperature-C", "20"]) == 2
    assert "not allowed with" in capsys.readouterr().err
