"""The committed sample logs are what the simulator makes, and their README tells the truth."""

from __future__ import annotations

import doctest
import gzip
import json
import re
from pathlib import Path
from xml.etree import ElementTree as Xml

import numpy as np
import pytest
from make_pictures import PICTURES, drawn
from make_sample_logs import make_sample_logs

from logger.session.session import read_session

SAMPLES = Path(__file__).resolve().parents[1] / "sample_logs"
FOLDERS = ("van_bare", "van_with_rack")
_SVG = "{http://www.w3.org/2000/svg}"
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?(?:e-?\d+)?")


def text_of(path: Path) -> str:
    data = path.read_bytes()
    return (gzip.decompress(data) if path.suffix == ".gz" else data).decode()


def test_samples_are_made_again_alike(tmp_path: Path) -> None:
    """Same files, same words, same numbers; packed files are compared by what they hold.

    Another release of numpy or of the machine's mathematics may round a last digit the other
    way: one unit of the coarsest column (0.1) where it happens, and in fewer than 1 of 1000.
    """
    make_sample_logs(tmp_path)
    for folder in FOLDERS:
        committed = sorted(path.name for path in (SAMPLES / folder).iterdir())
        assert committed == sorted(path.name for path in (tmp_path / folder).iterdir())
        for name in committed:
            before, now = text_of(SAMPLES / folder / name), text_of(tmp_path / folder / name)
            assert _NUMBER.sub("#", before) == _NUMBER.sub("#", now), name
            old = np.array(_NUMBER.findall(before), dtype=np.float64)
            new = np.array(_NUMBER.findall(now), dtype=np.float64)
            assert np.max(np.abs(old - new)) < 0.11, name
            assert np.mean(old != new) < 0.001, name


def test_pictures_are_what_is_drawn_now() -> None:
    """Same words; figures within 3 % or one unit of their last digit, lines and marks within 2 % of
    a picture's width: nobody sees less. `python tests/make_pictures.py` draws them anew.
    """
    pictures = drawn()
    assert sorted(path.name for path in PICTURES.iterdir()) == sorted(pictures)
    for name, now in pictures.items():
        before = (PICTURES / name).read_text(encoding="utf-8")
        old, new = (Xml.fromstring(text) for text in (before, now))
        words = [["".join(t.itertext()) for t in root.iter(f"{_SVG}text")] for root in (old, new)]
        assert [_NUMBER.sub("#", w) for w in words[0]] == [_NUMBER.sub("#", w) for w in words[1]], (
            name
        )
        figures = [_NUMBER.findall(" ".join(w)) for w in words]
        for said, is_now in zip(*figures, strict=True):
            unit = 10.0 ** -len(said.partition(".")[2])
            assert abs(float(said) - float(is_now)) <= max(1.01 * unit, 0.03 * abs(float(said))), (
                name
            )
        paths = [[p.get("d", "") for p in root.iter(f"{_SVG}path")] for root in (old, new)]
        assert [_NUMBER.sub("#", p) for p in paths[0]] == [_NUMBER.sub("#", p) for p in paths[1]]
        places = [np.array(_NUMBER.findall(" ".join(p)), dtype=np.float64) for p in paths]
        assert np.max(np.abs(places[0] - places[1])) < 6.0, name


def test_the_walk_in_the_readme_prints_what_it_says(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(SAMPLES.parent)
    done = doctest.testfile(str(SAMPLES / "README.md"), module_relative=False, encoding="utf-8")
    assert done.attempted > 15
    assert done.failed == 0


def test_samples_stay_small() -> None:
    """A clone should stay light: 5 MB for both sessions."""
    total = sum(path.stat().st_size for path in SAMPLES.rglob("*") if path.is_file())
    assert 1_000_000 < total < 5_000_000


@pytest.mark.parametrize("folder", FOLDERS)
def test_sessions_can_be_opened(folder: str) -> None:
    session = read_session(SAMPLES / folder)
    assert [len(log.files) for log in session.logs] == [1, 1, 2, 2, 1]
    assert all(path.is_file() for log in session.logs for path in log.files)
    assert session.vehicle.kind == "van"


def test_readme_table_is_the_truth() -> None:
    """Every figure of the README's table follows from truth.json to the digits printed."""
    rows = {}
    for line in (SAMPLES / "README.md").read_text().splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if len(cells) == 4 and _NUMBER.fullmatch(cells[1]):
            rows[cells[0].split(" (")[0]] = cells[1:3]
    truths = [json.loads((SAMPLES / folder / "truth.json").read_text()) for folder in FOLDERS]
    for column, truth in enumerate(truths):
        f = [truth["F0_N"], truth["F1_N_per_mps"], truth["F2_N_per_mps2"]]
        expected = {
            "mass as driven": truth["mass_kg"],
            "rotating mass": truth["rotating_mass_kg"],
            "F0 in the air of the day": f[0],
            "F1": f[1],
            "F2": f[2],
            "peak wheel power": truth["peak_wheel_power_W"] / 1000.0,
            "at": truth["peak_speed_mps"],
            'mean wind against "up"': truth["wind_mps"],
            'mean slope along "up"': 100.0 * truth["slope"],
        }
        for kmh in (50, 72, 100):
            v = kmh / 3.6
            expected[f"road load at {kmh} km/h"] = f[0] + f[1] * v + f[2] * v**2
        assert set(rows) == set(expected)
        for name, value in expected.items():
            printed = rows[name][column]
            digits = len(printed.partition(".")[2])
            assert float(printed) == pytest.approx(value, abs=0.501 * 10.0**-digits), name
