"""The cases that the estimator is judged on, each with what it must reach, and one session of one."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from analysis.pipeline import Analysis, analyse
from analysis.simulate.phone import PhoneKind, SimPhone, draw_phone
from analysis.simulate.road import SimSite, draw_site
from analysis.simulate.session import simulate_session
from analysis.simulate.truth import Truth
from logger.reading import read_log
from logger.recording import Recording
from logger.session.session import Session, read_session

__all__ = ["CASES", "SPEEDS_KMH", "Case", "Opened", "analysed", "opened"]

#: Speeds at which road loads are compared [km/h].
SPEEDS_KMH = (50.0, 72.0, 100.0)


@dataclass(frozen=True, slots=True)
class Case:
    """One kind of session and its goals.

    Parameters
    ----------
    name, words : str
        As on the command line, and in a sentence.
    pairs : int
        Two-way pairs, or half the runs of a session driven one way.
    phone : str
        Kind of simulated phone.
    one_way : bool
        All runs in one direction.
    load_goal : tuple of 3 floats or None
        Largest rms error of the road load at `SPEEDS_KMH` (ratio).
    peak_goal : float or None
        Largest rms error of the peak wheel power (ratio).
    sd_goal : float or None
        Largest mean stated sd over that of the oracle.
    oracle_goal : float or None
        Largest rms error over that of the oracle.
    """

    name: str
    words: str
    pairs: int
    phone: PhoneKind
    one_way: bool = False
    load_goal: tuple[float, float, float] | None = None
    peak_goal: float | None = None
    sd_goal: float | None = None
    oracle_goal: float | None = None


CASES = {
    case.name: case
    for case in (
        Case(
            "clean",
            "4 two-way pairs, 1 Hz GPS and accelerometer, clean phone",
            4,
            "clean",
            load_goal=(0.012, 0.012, 0.015),
            peak_goal=0.02,
            oracle_goal=1.3,
        ),
        Case(
            "rough",
            "4 two-way pairs, 1 Hz GPS and accelerometer, rough phone",
            4,
            "rough",
            load_goal=(0.025, 0.025, 0.04),
            peak_goal=0.05,
        ),
        Case(
            "gps-only",
            "4 two-way pairs, 1 Hz GPS alone, clean phone",
            4,
            "gps-only",
            load_goal=(0.035, 0.03, 0.06),
            peak_goal=0.08,
        ),
        Case(
            "one-pair",
            "1 two-way pair, 1 Hz GPS and accelerometer, clean phone",
            1,
            "clean",
            load_goal=(0.016, 0.016, 0.026),
            peak_goal=0.035,
            oracle_goal=1.3,
        ),
        Case(
            "one-way",
            "4 runs in one direction, 1 Hz GPS and accelerometer, clean phone",
            2,
            "clean",
            one_way=True,
            sd_goal=1.5,
        ),
    )
}


@dataclass(frozen=True, slots=True)
class Opened:
    """One simulated session as a user would have it, and what is true of it."""

    truth: Truth
    session: Session
    recordings: tuple[Recording, ...]
    site: SimSite
    phone: SimPhone


def opened(case: Case, seed: int, folder: Path) -> tuple[Opened, float]:
    """Simulate one session into a folder and read it back by the real path.

    Parameters
    ----------
    case : Case
        Which kind.
    seed : int
        Same seed, same session.
    folder : path
        Empty or missing.

    Returns
    -------
    Opened
    float
        Processor time that reading took [s].
    """
    # drawn here as `simulate_session` would, because its Truth does not say all of them
    site = draw_site(np.random.default_rng([seed, 2]))
    phone = draw_phone(np.random.default_rng([seed, 3]), case.phone, 1.0)
    truth = simulate_session(
        folder,
        seed=seed,
        pairs=case.pairs,
        phone=case.phone,
        one_way=case.one_way,
        site=site,
        sim_phone=phone,
    )
    start_s = time.process_time()
    session = read_session(folder)
    recordings = tuple(read_log(entry.files, columns=entry.columns) for entry in session.logs)
    return Opened(truth, session, recordings, site, phone), time.process_time() - start_s


def analysed(one: Opened) -> Analysis:
    """Analyse one session by the real path."""
    return analyse(one.session, one.recordings)
