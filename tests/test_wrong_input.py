"""The benchmark of wrong sessions, on a few of its edits: none is sold as good, sound ones keep their word."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent / "benchmarks"))

from wrong_input import judge, judge_sound, missed
from wrong_input_cases import CASES


def test_there_are_a_hundred_edits_of_different_names() -> None:
    assert len({case.name for case in CASES}) == len(CASES) >= 100


@pytest.mark.parametrize(
    ("name", "level", "cause"),
    [
        ("speed 0.93 times in all logs", "doubtful", "speed_far_from_positions"),
        ("pull 1 at 50% throttle", "doubtful", "run_apart"),
        ("roads 300 m and 0 degrees apart", "doubtful", "roads_differ"),
        ("all coast-downs with -0.5 m/s2", "refused", "coast-down"),
        ("8 equal speeds in coast 2", "fair", "speed_frozen"),
        ("clock jumps 2 s in pull 1", "fair", "clock_step"),
        ("15% less drive from run 3 on", "doubtful", "power_steps"),
    ],
)
def test_a_wrong_session_is_refused_or_doubted_with_its_cause(
    name: str, level: str, cause: str
) -> None:
    """The truth is the simulator's, which shares nothing with the estimator."""
    case = next(case for case in CASES if case.name == name)
    found = judge(case, 1)
    assert found.level == level
    assert cause in " ".join(found.causes)
    assert missed([found]) == []
    if cause in ("roads_differ", "speed_frozen", "clock_step"):
        assert found.sigma < 3.0


def test_a_sound_session_keeps_its_word() -> None:
    assert judge_sound("GPS alone", "gps-only", 2, 1).level in ("good", "fair")
