"""A road file: taught by sessions, leant on by others, refused where it is another road's."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from make_sessions import recordings_of

from analysis.cli.main import main
from analysis.model.road_memory import RoadMemory, RoadUse, learn_road, read_road
from analysis.model.road_prior import SlopeMessage, log_odds, moved, turned
from analysis.pipeline import Analysis, analyse
from analysis.sessions.combine import combine
from analysis.simulate.road import SimSite, draw_site
from analysis.simulate.session import simulate_session
from analysis.simulate.truth import Truth
from logger.errors import ReadError
from logger.session.session import Session, read_session

#: One degree of latitude [m], of a sphere of 6,371 km as maps use it.
DEGREE_M = 111_195.0


@cache
def site() -> SimSite:
    return replace(draw_site(np.random.default_rng(5)), slope=0.005)


@cache
def driven(folder: Path, seed: int, pairs: int) -> tuple[Truth, Session]:
    truth = simulate_session(folder, seed=seed, pairs=pairs, site=site())
    return truth, read_session(folder)


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("road")


def lean(session: Session, road: RoadMemory) -> tuple[Analysis, RoadUse]:
    outcome = analyse(session, recordings_of(session), road=road)
    assert outcome.road is not None
    return outcome, outcome.road


@pytest.fixture(scope="module")
def taught(base: Path) -> tuple[RoadMemory, Session]:
    _, session = driven(base / "teacher", 31, 2)
    empty = RoadMemory(path=base / "road.json")
    assert learn_road(empty, lean(session, empty)[1]) is None
    return read_road(base / "road.json"), session


def test_a_file_holds_the_road_as_it_is(base: Path, taught: tuple[RoadMemory, Session]) -> None:
    memory, _ = taught
    held = json.loads((base / "road.json").read_text(encoding="utf-8"))
    assert held["format"] == "pullcoast-road/1"
    # the simulator's own road: place 0 and bearing as it was laid, slope at each knot within 4 sd
    laid = site()
    assert memory.place is not None
    north_m = (memory.place.latitude_deg - laid.latitude_deg) * DEGREE_M
    east_m = (memory.place.longitude_deg - laid.longitude_deg) * DEGREE_M
    east_m *= np.cos(np.radians(laid.latitude_deg))
    bearing = np.radians(laid.bearing_deg)
    along = float(east_m * np.sin(bearing) + north_m * np.cos(bearing))
    across = float(east_m * np.cos(bearing) - north_m * np.sin(bearing))
    assert abs(across) < 15.0  # receivers are off by some metres
    turned_deg = (memory.place.bearing_deg - laid.bearing_deg + 180.0) % 360.0 - 180.0
    assert abs(turned_deg) < 1.0
    true = laid.slope_at(np.array(held["knots_m"]) + along)
    apart = (np.array(held["slope"]) - true) / np.array(held["slope_sd"])
    assert float(np.abs(apart).max()) < 4.0
    assert float(np.min(held["slope_sd"])) < 0.0015


def test_another_day_leans_on_it_and_is_narrower(
    base: Path, taught: tuple[RoadMemory, Session]
) -> None:
    memory, _ = taught
    truth, session = driven(base / "pair", 32, 1)
    alone = analyse(session, recordings_of(session)).road_load
    outcome, use = lean(session, memory)
    assert use.used
    assert 0.0 < use.share < 1.0
    assert use.sessions == (memory.lessons[0][0],)
    assert use.fingerprint not in use.sessions
    assert alone is not None
    assert outcome.road_load is not None
    speeds = np.array([50.0, 72.0, 100.0]) / 3.6
    # noise levels are learnt anew, so that one speed may gain nothing
    now, before = outcome.road_load.force_sd_n(speeds), alone.force_sd_n(speeds)
    assert float(np.mean(now)) < 0.95 * float(np.mean(before))
    off = np.abs(outcome.road_load.force_n(speeds) - truth.force_n(speeds))
    assert np.all(off < 3.5 * outcome.road_load.force_sd_n(speeds))
    assert any(finding.kind == "road_remembered" for finding in outcome.findings)


def test_a_session_never_leans_on_itself_and_teaches_once(
    base: Path, taught: tuple[RoadMemory, Session]
) -> None:
    memory, session = taught
    outcome, use = lean(session, memory)
    assert not use.used
    assert use.why_not == "no other session has taught it yet"
    copy = replace(memory, path=base / "again.json")
    assert learn_road(copy, use) is None
    assert len(read_road(copy.path).lessons) == 1
    plain = analyse(session, recordings_of(session)).road_load
    assert plain is not None
    assert outcome.road_load is not None
    assert outcome.road_load.f0_n == plain.f0_n


def test_a_second_session_adds_its_lesson(base: Path, taught: tuple[RoadMemory, Session]) -> None:
    memory, _ = taught
    _, session = driven(base / "pair", 32, 1)
    copy = replace(memory, path=base / "two.json")
    assert learn_road(copy, lean(session, memory)[1]) is None
    two = read_road(copy.path)
    assert len(two.lessons) == 2
    before = json.loads((base / "road.json").read_text(encoding="utf-8"))
    after = json.loads((base / "two.json").read_text(encoding="utf-8"))
    assert np.median(after["slope_sd"]) < np.median(before["slope_sd"])


def test_sessions_that_lean_on_one_road_are_named_where_they_are_put_together(
    base: Path, taught: tuple[RoadMemory, Session]
) -> None:
    memory, teacher = taught
    _, session = driven(base / "pair", 32, 1)
    # the same vehicle by name, or they would not be put together
    session = replace(session, vehicle=replace(session.vehicle, name=teacher.vehicle.name))
    both = [lean(teacher, memory)[0], lean(session, memory)[0]]
    kinds = {finding.kind for finding in combine(both, ["may", "june"]).findings}
    assert "one_road_remembered" in kinds
    alone = [analyse(one, recordings_of(one)) for one in (teacher, session)]
    kinds = {finding.kind for finding in combine(alone, ["may", "june"]).findings}
    assert "one_road_remembered" not in kinds


@pytest.mark.parametrize(
    ("north_m", "turn_deg", "why"),
    [(200.0, 0.0, "another place"), (0.0, 20.0, "another bearing")],
)
def test_another_place_or_bearing_is_refused(
    base: Path, taught: tuple[RoadMemory, Session], north_m: float, turn_deg: float, why: str
) -> None:
    memory, _ = taught
    assert memory.place is not None
    across = np.radians(memory.place.bearing_deg + 90.0)
    stretch = float(np.cos(np.radians(memory.place.latitude_deg)))
    place = replace(
        memory.place,
        latitude_deg=memory.place.latitude_deg + float(np.cos(across)) * north_m / DEGREE_M,
        longitude_deg=memory.place.longitude_deg
        + float(np.sin(across)) * north_m / DEGREE_M / stretch,
        bearing_deg=memory.place.bearing_deg + turn_deg,
    )
    _, session = driven(base / "pair", 32, 1)
    outcome, use = lean(session, replace(memory, place=place))
    assert not use.used
    assert why in (use.why_not or "")
    assert any(finding.kind == "road_not_used" for finding in outcome.findings)


def test_a_message_moved_and_turned_says_the_same() -> None:
    # a level known to 0.05 % at every knot is that level anywhere between
    knots = np.linspace(0.0, 600.0, 11)
    message = SlopeMessage(
        knots_m=knots, information=np.eye(11) / 0.0005**2, pull=np.full(11, 0.01) / 0.0005**2
    )
    there = moved(message, np.linspace(30.0, 570.0, 10))
    slope = np.linalg.solve(there.information, there.pull)
    np.testing.assert_allclose(slope, 0.01, atol=0.0005)
    back = turned(turned(message, 600.0, -1), 600.0, -1)
    np.testing.assert_allclose(back.knots_m, knots, atol=1e-9)
    np.testing.assert_allclose(back.pull, message.pull)
    # the same road is foretold better than a road of nothing known, its mirror image worse
    assert log_odds(message, message) > 0.0
    assert log_odds(message, replace(message, pull=-message.pull)) < 0.0


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("", "no JSON"),
        ("[" * 100_000, "no JSON"),
        ("[]", "format None"),
        ('{"format": "pullcoast-results/1"}', "pullcoast-results/1"),
        ('{"format": "pullcoast-road/1"}', "broken value"),
        (
            '{"format": "pullcoast-road/1", "anchor_deg": [56, 3], "bearing_deg": 1, "lessons": []}',
            "lessons",
        ),
    ],
)
def test_a_broken_file_is_named(tmp_path: Path, text: str, found: str) -> None:
    path = tmp_path / "road.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ReadError, match="road.json") as error:
        read_road(path)
    assert found in str(error.value)
    assert "--learn-road" in str(error.value)


def test_a_missing_huge_or_special_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(ReadError, match="no such file"):
        read_road(tmp_path / "none.json")
    assert read_road(tmp_path / "none.json", may_be_new=True).place is None
    with pytest.raises(ReadError, match="cannot be read"):
        read_road(tmp_path)
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(ReadError, match="cannot be read"):
        read_road(tmp_path / "pipe")
    with (tmp_path / "huge.json").open("wb") as file:
        file.truncate(30_000_000)
    with pytest.raises(ReadError, match="larger than 20 MB"):
        read_road(tmp_path / "huge.json")


def test_the_command_learns_leans_and_keeps_positions_out(
    base: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    driven(base / "teacher", 31, 2)
    driven(base / "pair", 32, 1)
    road = tmp_path / "road.json"
    teacher, pair = str(base / "teacher"), str(base / "pair")
    out = ["--out", str(tmp_path / "out"), "--quiet"]
    assert main(["report", teacher, "--learn-road", *out]) == 2
    assert "--road FILE" in capsys.readouterr().err
    assert main(["report", teacher, "--road", str(road), *out]) == 2
    assert "no such file" in capsys.readouterr().err
    assert main(["report", teacher, "--road", str(road), "--learn-road", *out]) == 0
    anchor = json.loads(road.read_text(encoding="utf-8"))["anchor_deg"]
    text = (base / "pair" / "session.toml").read_text(encoding="utf-8")
    (base / "pair" / "road.json").write_bytes(road.read_bytes())
    stated = text.replace("[site]\n", '[site]\nroad = "road.json"\n')
    if stated == text:
        stated = text.replace("[[log]]", '[site]\nroad = "road.json"\n\n[[log]]', 1)
    (base / "pair" / "session.toml").write_text(stated, encoding="utf-8")
    try:
        assert main(["report", pair, *out]) == 0
        results = (tmp_path / "out" / "results.json").read_text(encoding="utf-8")
        use = json.loads(results)["site"]["road"]
        assert use["used"]
        assert use["name"] == "road.json"
        assert all(f"{angle:.4f}"[:7] not in results for angle in anchor)
        assert main(["strip", pair, str(tmp_path / "copy")]) == 0
        copied = (tmp_path / "copy" / "session.toml").read_text(encoding="utf-8")
        assert "road.json" not in copied
        assert not (tmp_path / "copy" / "road.json").exists()
    finally:
        (base / "pair" / "session.toml").write_text(text, encoding="utf-8")
