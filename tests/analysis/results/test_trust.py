"""Trust: the interval gives the word, and what speaks against the result caps it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from make_analysis import judged, make_analysis

from analysis.pipeline import Analysis
from analysis.results.trust import Trust
from logger.findings import Finding


def _trust(outcome: Analysis, **changes: object) -> Trust:
    return judged(outcome, **changes).verdict.trust


@pytest.mark.parametrize(
    ("kind", "level"),
    [
        ("run_apart", "doubtful"),
        ("roads_differ", "doubtful"),
        ("speed_far_from_positions", "doubtful"),
        ("speed_off_positions", "rough"),
        ("gears_doubted", "rough"),
        ("hole", "good"),
    ],
)
def test_what_speaks_against_a_result_caps_its_trust_and_comes_first(kind: str, level: str) -> None:
    outcome = make_analysis()
    finding = Finding(kind=kind, severity="warning", text="This is why.")
    trust = _trust(outcome, findings=(finding,))
    assert trust.level == level
    assert (trust.why[0] == finding.text) == (level != "good")


def test_a_negative_rolling_resistance_is_doubtful() -> None:
    """No tyre drives a vehicle: rolling resistance is positive by the second law of thermodynamics."""
    outcome = make_analysis()
    assert outcome.road_load is not None
    load = replace(outcome.road_load, f0_n=-60.0, covariance=np.diag([100.0, 1e-6, 1e-9]))
    trust = _trust(outcome, road_load=load)
    assert trust.level == "doubtful"
    assert "F0 is negative" in trust.why[0]


def test_an_implausible_mass_is_the_first_cause_of_what_else_is_out_of_range() -> None:
    outcome = make_analysis()
    findings = [
        Finding(kind="run_apart", severity="warning", text="Run 3 stands apart."),
        Finding(kind="mass_unusual", severity="warning", text="157 kg is unusual for a car."),
    ]
    trust = _trust(outcome, findings=tuple(findings))
    assert trust.level == "doubtful"
    assert trust.why[:2] == ("157 kg is unusual for a car.", "Run 3 stands apart.")


def test_the_word_for_neutral_lifts_what_is_only_unusual() -> None:
    outcome = make_analysis()
    finding = Finding(kind="road_load_unusual", severity="warning", text="More than a car has.")
    assert _trust(outcome, findings=(finding,)).level == "doubtful"
    logs = tuple(replace(log, neutral=True) for log in outcome.session.logs)
    vouched = replace(outcome.session, logs=logs)
    assert _trust(outcome, findings=(finding,), session=vouched).level == "rough"


def test_what_no_log_can_show_is_always_said() -> None:
    leaves_out = " ".join(make_analysis().verdict.trust.interval_leaves_out)
    for words in ("wind", "brake", "clutch", "part throttle", "mass"):
        assert words in leaves_out
