"""Timed runs are read as a command line or session.toml states them."""

from __future__ import annotations

import pytest

from analysis.crosscheck.timed_runs import parse_timed_runs
from logger.errors import SessionError


@pytest.mark.parametrize(
    ("pull", "coast", "message"),
    [
        (["9.8"], [], "--pull: '9.8'; expected start-end=seconds"),
        (["70-20=6"], [], "--pull: '70-20=6'; expected a speed that rises"),
        ([], ["20-70=6"], "--coast: '20-70=6'; expected a speed that falls"),
        ([], ["70-70=6"], "a speed that falls"),
        (["20-70=0"], [], "a time above 0 s"),
        (["20-70=-3"], [], "start-end=seconds"),
    ],
)
def test_texts_that_are_no_timed_run(pull: list[str], coast: list[str], message: str) -> None:
    with pytest.raises(SessionError, match=message):
        parse_timed_runs(pull, coast, "km/h", 0.2, 1.0)


def test_units_of_gates() -> None:
    (run,) = parse_timed_runs(["0-60=9 s"], [], "mph", 0.2, 1.0)
    assert run.gates.to_mps == pytest.approx(26.8224)  # 60 mph, exact by the mile
    assert run.speed_sd_mps == pytest.approx(0.44704)
