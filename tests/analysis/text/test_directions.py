"""Up is explained: by the compass where the logs have headings, else as the direction of run 1."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from make_analysis import make_analysis

from analysis.text.directions import up_text
from logger.recording import Channel


def test_up_is_the_direction_of_run_1_and_not_uphill() -> None:
    outcome = make_analysis()
    assert up_text(outcome) == "up: the direction of run 1, not uphill"
    turned = tuple(replace(run, direction=-(run.direction or 0)) for run in outcome.runs)
    assert (
        up_text(replace(outcome, runs=turned)) == "up: against the direction of run 1, not uphill"
    )
    unknown = tuple(replace(run, direction=None) for run in outcome.runs)
    assert up_text(replace(outcome, runs=unknown)) == "up: as stated for the logs, not uphill"


def test_headings_tell_where_up_goes() -> None:
    """240 degrees up and 60 down, with a wobble that crosses nothing, and north as well as 350."""
    outcome = make_analysis()
    for up_deg in (240.0, 359.0):
        recordings = []
        for recording, run in zip(outcome.recordings, outcome.runs, strict=False):
            speed = recording.channel("speed_mps")
            assert speed is not None
            way = up_deg if run.direction == 1 else up_deg + 180.0
            wobble = 3.0 * np.sin(np.arange(speed.t_s.size))
            heading = Channel(
                name="heading_deg", t_s=speed.t_s, values=(way + wobble) % 360.0, clock=speed.clock
            )
            others = tuple(c for c in recording.channels if c.name != "heading_deg")
            recordings.append(replace(recording, channels=(*others, heading)))
        found = up_text(replace(outcome, recordings=tuple(recordings)))
        degrees = float(found.rpartition(" ")[2].rstrip("\u00b0"))
        assert abs(degrees - up_deg) <= 1.0
