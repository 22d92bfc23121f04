"""`report --card` and `--sheet`: one picture to share, and figures for a spreadsheet."""

from __future__ import annotations

import csv
import io
import struct
from dataclasses import replace
from pathlib import Path

import pytest

from analysis.cli.main import main
from analysis.pipeline import Analysis
from analysis.plots.card import card_png
from analysis.report.sheet import sheet_csv
from analysis.session_pipeline import analyse_folder
from analysis.text.numbers import Units
from logger.session.session import Display


@pytest.fixture(scope="module")
def outcome(sample: Path) -> Analysis:
    return analyse_folder(sample)


def _named(outcome: Analysis, name: str) -> Analysis:
    vehicle = replace(outcome.session.vehicle, name=name)
    return replace(outcome, session=replace(outcome.session, vehicle=vehicle))


def _size(png: bytes) -> tuple[int, int]:
    """Width and height as the header of a PNG has them (W3C, Portable Network Graphics, 11.2.2)."""
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = struct.unpack(">II", png[16:24])
    return width, height


def test_a_card_has_the_usual_size_and_changes_with_what_it_shows(outcome: Analysis) -> None:
    units = Units.of(Display())
    plain = card_png(outcome, units)
    assert _size(plain) == (1200, 630)
    assert plain == card_png(outcome, units)
    assert plain != card_png(outcome, units, "17 May 2025")
    assert plain != card_png(outcome, Units.of(Display(power="hp")))
    trust = replace(outcome.verdict.trust, level="doubtful", why=("The mass is implausible.",))
    doubted = replace(outcome, verdict=replace(outcome.verdict, trust=trust))
    assert plain != card_png(doubted, units)


def test_a_card_takes_any_name_and_results_that_lack_something(outcome: Analysis) -> None:
    """No formula, no glyph and no length of a name stops it; a card of coast-downs alone is one too."""
    units = Units.of(Display())
    for name in ("", "x" * 300, "a van " * 60, r"$\frac{1}{0}$", "=1+1"):
        assert _size(card_png(_named(outcome, name), units)) == (1200, 630)
    for lacking in ({"power": None}, {"road_load": None}):
        part = replace(outcome, **lacking)  # type: ignore[arg-type]
        assert _size(card_png(part, units)) == (1200, 630)


def test_a_sheet_has_the_headline_and_the_curves_in_the_users_units(outcome: Analysis) -> None:
    units = Units.of(Display(power="hp", speed="mph"))
    rows = list(csv.reader(io.StringIO(sheet_csv(_named(outcome, "=cmd|run"), units))))
    assert rows[0] == ["what", "gear", "speed [mph]", "value", "95 % from", "95 % to", "unit"]
    assert rows[1][3] == "'=cmd|run"
    by_name = {row[0]: row for row in rows}
    power, load = outcome.power, outcome.road_load
    assert power is not None
    assert load is not None
    # 1 hp is 550 ft lbf/s = 745.6999 W, 1 mile 1609.344 m (NIST SP 811, appendix B)
    peak = by_name["peak wheel power"]
    assert float(peak[2]) == pytest.approx(power.peak_speed_mps * 3600 / 1609.344, rel=1e-5)
    assert float(peak[3]) == pytest.approx(power.peak_w / 745.6999, rel=1e-5)
    assert float(peak[4]) < float(peak[3]) < float(peak[5])
    assert float(by_name["road load"][3]) == pytest.approx(load.headline.force_n, rel=1e-5)
    curve = [row for row in rows if row[0] == "road load curve"]
    assert len(curve) == load.curve_speeds_mps().size > 20
    drive = [row for row in rows if row[0] == "wheel power curve"]
    assert len(drive) == sum(gear.speed_mps.size for gear in power.gears) > 20


def test_the_command_writes_both_only_where_asked(copied: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert main(["report", str(copied), "--out", str(out), "--quiet"]) == 0
    assert not {"card.png", "sheet.csv"} & {path.name for path in out.iterdir()}
    words = ["--card", "dated", "--sheet", "--quiet"]
    assert main(["report", str(copied), "--out", str(out), *words]) == 0
    assert _size((out / "card.png").read_bytes()) == (1200, 630)
    assert (out / "sheet.csv").read_text(encoding="utf-8").startswith("what,gear,speed [km/h],")
