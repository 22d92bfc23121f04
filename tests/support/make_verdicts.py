"""Simulated runs through the page's verdict: what it says beside what was true.

The page's module runs in a browser; samples come from `analysis.simulate`, which knows nothing of it.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from make_browser import address_of, phone_page
from make_capture import thread_server
from numpy.typing import NDArray
from playwright.sync_api import Browser

from analysis.simulate.phone import PhoneKind
from analysis.simulate.session import simulate_session
from logger.reading import read_log

__all__ = ["TrueRun", "gate_errors", "judged", "spoilt", "true_runs"]

_KMH = 1.0 / 3.6
#: Of the motion the page takes at most 30 samples a second; a mean of a fifth of a second is as good.
_MOTION_HZ = 5.0
_JUDGE = """async runs => {
  const { verdict } = await import("./verdict.js");
  return runs.map(run => verdict(run, { unit_mps: 1 / 3.6, step: 20, target_mps: null, low_mps: null }).runs);
}"""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueRun:
    """Samples of one run as the page takes them, and its truth on the same clock [s, m/s]."""

    phone: str
    samples: dict[str, list[list[float]]]
    time_s: NDArray[np.float64]
    speed_mps: NDArray[np.float64]
    launch_s: float
    release_s: float
    neutral_s: float
    brake_s: float


def true_runs(seeds: Iterable[int], phone: PhoneKind, gps_hz: float = 1.0) -> list[TrueRun]:
    """Return the two runs of a simulated pair for each seed."""
    found = []
    for seed in seeds:
        with tempfile.TemporaryDirectory() as folder:
            place = Path(folder) / "session"
            truth = simulate_session(place, seed=seed, pairs=1, phone=phone, gps_hz=gps_hz)
            for log, path, run in zip(truth.logs, truth.paths, truth.runs, strict=True):
                found.append(
                    TrueRun(
                        phone=phone,
                        samples=_samples([place / name for name in log.files]),
                        time_s=path.time_s - log.path_offset_s,
                        speed_mps=path.speed_mps,
                        launch_s=run.launch_s,
                        release_s=run.release_s,
                        neutral_s=run.neutral_s,
                        brake_s=run.brake_s,
                    )
                )
    return found


def _samples(files: list[Path]) -> dict[str, list[list[float]]]:
    recording = read_log(files)
    names = ("speed_mps", "latitude_deg", "longitude_deg", "position_accuracy_m")
    rows: dict[float, list[Any]] = {}
    for place, name in enumerate(names):
        channel = recording.channel(name)
        assert channel is not None
        for t_s, value in zip(channel.t_s.tolist(), channel.values.tolist(), strict=True):
            rows.setdefault(t_s, [None] * len(names))[place] = value
    fixes = [[t_s, *row] for t_s, row in sorted(rows.items())]
    axes = [recording.channel(f"accel_{axis}_mps2") for axis in "xyz"]
    if axes[0] is None:
        return {"fixes": fixes, "motion": []}
    t_s = axes[0].t_s
    _, part = np.unique(np.floor(t_s * _MOTION_HZ), return_inverse=True)
    columns = [t_s, *(axis.values for axis in axes if axis is not None)]
    means = np.array([np.bincount(part, column) for column in columns]) / np.bincount(part)
    return {"fixes": fixes, "motion": means.T.round(4).tolist()}


def judged(
    browser: Browser, place: Path, samples: list[dict[str, list[list[float]]]]
) -> list[list[dict[str, Any]]]:
    """Return the runs that the page finds in each recording."""
    found: list[list[dict[str, Any]]] = []
    with thread_server(place) as server, phone_page(browser, address_of(server)) as page:
        for first in range(0, len(samples), 20):
            found += page.evaluate(_JUDGE, samples[first : first + 20])
    return found


def gate_errors(true: TrueRun, run: dict[str, Any]) -> list[tuple[str, float, float]]:
    """Return (phase, error, +/-) [s] of every time that the page gives for a run."""
    errors = []
    pull = run["pull"]
    if pull is not None and pull["standing"]:
        whole_s = true.release_s - true.launch_s
        errors.append(("pull", pull["seconds"] - whole_s, pull["plus_minus_s"]))
    for gate in run["gates"]:
        up = gate["phase"] == "pull"
        ends = [
            true.launch_s if speed == 0 else _passed_s(true, speed * _KMH, up)
            for speed in (gate["from"], gate["to"])
        ]
        errors.append((gate["phase"], gate["seconds"] - (ends[1] - ends[0]), gate["plus_minus_s"]))
    return errors


def _passed_s(true: TrueRun, speed_mps: float, up: bool) -> float:
    """Return when the true speed first passed a gate, upwards in the pull or downwards after it."""
    time_s, speed = true.time_s, true.speed_mps
    if up:
        after = (time_s[1:] >= true.launch_s) & (speed[:-1] < speed_mps) & (speed[1:] >= speed_mps)
    else:
        after = (time_s[1:] >= true.release_s) & (speed[:-1] > speed_mps) & (speed[1:] <= speed_mps)
    k = int(np.flatnonzero(after)[0])
    share = (speed_mps - speed[k]) / (speed[k + 1] - speed[k])
    return float(time_s[k] + share * (time_s[k + 1] - time_s[k]))


def spoilt(true: TrueRun) -> dict[str, dict[str, list[list[float]]]]:
    """Return the run spoilt in four ways, by the fault that the page should name."""
    fixes, motion = true.samples["fixes"], true.samples["motion"]
    half_s = 0.5 * (true.neutral_s + true.brake_s)

    def fixes_where(keep: Callable[[float], bool]) -> list[list[float]]:
        return [fix for fix in fixes if keep(fix[0])]

    ways = {
        "coast hole": {
            "fixes": fixes_where(lambda t: not half_s - 8.0 < t < half_s + 8.0),
            "motion": motion,
        },
        "stopped": {
            "fixes": fixes_where(lambda t: t < true.neutral_s + 9.0),
            "motion": [row for row in motion if row[0] < true.neutral_s + 9.0],
        },
        "short": {"fixes": _braked(fixes, true.neutral_s + 9.0), "motion": motion},
    }
    if motion:
        turn = np.radians(15.0)
        about = np.array(
            [[np.cos(turn), -np.sin(turn), 0.0], [np.sin(turn), np.cos(turn), 0.0], [0.0, 0.0, 1.0]]
        )
        # about the axis that gravity is on least, so that the turn is seen whole
        rest = np.array([row[1:] for row in motion]).mean(axis=0)
        order = [k for k in range(3) if k != int(np.abs(rest).argmin())]
        order.append(int(np.abs(rest).argmin()))
        turned = [
            [t_s, *_in_order(about, order, np.array(accel)).tolist()]
            if t_s > half_s
            else [t_s, *accel]
            for t_s, *accel in motion
        ]
        ways["moved"] = {"fixes": fixes, "motion": turned}
    return ways


def _in_order(
    about: NDArray[np.float64], order: list[int], accel: NDArray[np.float64]
) -> NDArray[np.float64]:
    turned = np.empty(3)
    turned[order] = about @ accel[order]
    return turned


def _braked(fixes: list[list[float]], from_s: float) -> list[list[float]]:
    """Return fixes that slow down at 2.5 m/s2 from a moment on, to a stop."""
    before = [fix for fix in fixes if fix[0] <= from_s]
    speed = before[-1][1]
    after = [
        [t_s, max(0.0, speed - 2.5 * (t_s - before[-1][0])), *rest]
        for t_s, _, *rest in fixes
        if t_s > from_s
    ]
    return before + after
