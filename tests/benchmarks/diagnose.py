"""One simulated session, what the estimator found of it beside what is true.

``python tests/benchmarks/diagnose.py --case clean --seed 3``: errors in sigma, gears and their times,
lag, scale, wind, slope, and the noise levels learnt beside those that the simulator used.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any
from unittest import mock

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parents[1])]
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy is loaded

if TYPE_CHECKING:
    from accuracy_cases import Opened

    from analysis.model.fit import SessionFit
    from analysis.pipeline import Analysis
    from analysis.runs.run import Run
    from analysis.simulate.truth import RunTruth

__all__ = ["diagnosis", "main"]


@contextmanager
def _fit_kept(kept: list[SessionFit]) -> Iterator[None]:
    """Keep each session fit that the main path makes; an `Analysis` holds only what it says."""
    from analysis.model.fit import fit_session as usual

    def fit(*arguments: Any, **options: Any) -> SessionFit:
        kept.append(usual(*arguments, **options))
        return kept[-1]

    with mock.patch("analysis.pipeline.fit_session", fit):
        yield


def diagnosis(one: Opened) -> list[str]:
    """Analyse a session and return lines that set it beside its truth.

    Parameters
    ----------
    one : Opened
        The session.

    Returns
    -------
    list of str
    """
    from accuracy_cases import analysed

    kept: list[SessionFit] = []
    with _fit_kept(kept):
        outcome = analysed(one)
    lines = _results(one, outcome)
    lines += _phases(one, outcome)
    lines += _site_and_sensors(one, outcome)
    if kept:
        lines += _runs(one, kept[-1])
        lines += _levels(one, kept[-1])
    lines += [f"finding: {one.severity} {one.kind}: {one.text}" for one in outcome.findings]
    return lines


def _results(one: Opened, outcome: Analysis) -> list[str]:
    import numpy as np
    from accuracy_cases import SPEEDS_KMH

    truth, load, power = one.truth, outcome.road_load, outcome.power
    vehicle = one.session.vehicle
    lines = [
        (
            f"effective mass: stated {vehicle.effective_mass_kg:.1f} kg is "
            f"{100 * (vehicle.effective_mass_kg / truth.effective_mass_kg - 1):+.2f} % off; every "
            "force and power carries this error"
        ),
        f"{'':24}{'found':>12}{'true':>12}{'error':>10}{'sd':>9}{'sigma':>8}",
    ]

    def row(name: str, found: float, true: float, sd: float) -> str:
        error = found - true
        return (
            f"{name:24}{found:12.4g}{true:12.4g}{100 * error / true:+9.2f} %"
            f"{100 * sd / abs(true):7.2f} %{error / sd:+8.2f}"
        )

    if load is not None:
        speeds = np.array(SPEEDS_KMH) / 3.6
        columns = (load.force_n(speeds), truth.force_n(speeds), load.force_sd_n(speeds))
        for kmh, found, true, sd in zip(SPEEDS_KMH, *columns, strict=True):
            lines.append(row(f"road load {kmh:.0f} km/h [N]", found, true, sd))
        sds = np.sqrt(np.diag(load.covariance))
        names = ("F0 [N]", "F1 [N s/m]", "F2 [N s2/m2]")
        founds = (load.f0_n, load.f1_n_per_mps, load.f2_n_per_mps2)
        trues = (truth.f0_n, truth.f1_n_per_mps, truth.f2_n_per_mps2)
        lines += [row(*each) for each in zip(names, founds, trues, sds, strict=True)]
        parts = ", ".join(f"{name} {value:.1f}" for name, value in load.budget_n.items())
        lines.append(f"  budget at {3.6 * load.budget_speed_mps:.0f} km/h [N]: {parts}")
    if power is not None and truth.peak_wheel_power_w is not None:
        lines.append(row("peak power [W]", power.peak_w, truth.peak_wheel_power_w, power.peak_sd_w))
        parts = ", ".join(f"{name} {value:.0f}" for name, value in power.budget_w.items())
        lines.append(f"  budget [W]: {parts}")
        lines.append(
            f"  at {3.6 * power.peak_speed_mps:.1f} km/h, truly {3.6 * (truth.peak_speed_mps or 0):.1f}"
        )
        lines += _curves(one, outcome)
    return lines


def _curves(one: Opened, outcome: Analysis) -> list[str]:
    """Return how each found gear's curve lies beside the true gear that shares most of it."""
    import numpy as np

    lines = []
    for gear in outcome.power.gears if outcome.power else ():
        low, high = gear.speed_mps[0], gear.speed_mps[-1]

        def common(true: Any, low: float = low, high: float = high) -> float:
            return float(min(high, true.speed_mps[-1]) - max(low, true.speed_mps[0]))

        true = max(one.truth.wheel_power, key=common)
        inside = (gear.speed_mps >= true.speed_mps[0]) & (gear.speed_mps <= true.speed_mps[-1])
        text = f"found {gear.gear}: {3.6 * low:.1f}-{3.6 * high:.1f} km/h; true {true.gear}: "
        text += f"{3.6 * true.speed_mps[0]:.1f}-{3.6 * true.speed_mps[-1]:.1f} km/h"
        if inside.any():
            power = np.interp(gear.speed_mps[inside], true.speed_mps, true.power_w)
            error = gear.power_w[inside] - power
            share, z = 100 * error / power, error / gear.sd_w[inside]
            text += (
                f"; error rms {np.sqrt(np.mean(share**2)):.2f} %, at its ends {share[0]:+.2f} % "
                f"({z[0]:+.1f} sigma) and {share[-1]:+.2f} % ({z[-1]:+.1f} sigma)"
            )
        lines.append("  gear " + text)
    return lines


def _phases(one: Opened, outcome: Analysis) -> list[str]:
    lines = [f"runs found {len(outcome.runs)}, true {len(one.truth.runs)}"]
    left = list(outcome.runs)
    for true in one.truth.runs:
        mine = next(
            (
                run
                for run in left
                if run.log == true.log and run.start_s < true.brake_s and run.end_s > true.launch_s
            ),
            None,
        )
        lines.append(f"run {true.number} log {true.log} direction {true.direction:+d}")
        if mine is None:
            lines.append("  not found")
            continue
        left.remove(mine)
        lines += _run_phases(true, mine)
    lines += [f"found where there is none: log {run.log} {run.phases}" for run in left]
    return lines


def _run_phases(true: RunTruth, mine: Run) -> list[str]:
    """Return found minus true times [s] of one run; + is late."""
    lines = []
    if mine.direction != true.direction:
        lines.append(f"  direction found {mine.direction}")
    pull, coast, brake = mine.phase("pull"), mine.phase("coast"), mine.phase("brake")
    if true.gears:
        trues = " ".join(_piece(p.start_s, p.end_s, p.from_mps, p.to_mps) for p in true.gears)
        lines.append(f"  true gears   {trues}")
    if pull is not None:
        founds = " ".join(_piece(start, end) for start, end in pull.gear_pieces_s)
        lines.append(
            f"  found pieces {founds}" + ("" if pull.used else f" not used: {pull.why_not}")
        )
        lines.append(
            f"  pull starts {pull.start_s - true.launch_s:+.2f} s after launch, "
            f"ends {pull.end_s - true.release_s:+.2f} s after release"
        )
    if coast is None:
        lines.append("  no coast-down found")
    else:
        used = "" if coast.used else f", not used: {coast.why_not}"
        lines.append(
            f"  coast starts {coast.start_s - true.neutral_s:+.2f} s after neutral, "
            f"ends {coast.end_s - true.brake_s:+.2f} s after the brake{used}"
        )
    if brake is not None:
        lines.append(f"  brake found {brake.start_s - true.brake_s:+.2f} s after it")
    return lines


def _piece(start: float, end: float, low: float | None = None, high: float | None = None) -> str:
    speeds = "" if low is None or high is None else f" ({3.6 * low:.0f}-{3.6 * high:.0f} km/h)"
    return f"[{start:.2f} {end:.2f}]{speeds}"


def _site_and_sensors(one: Opened, outcome: Analysis) -> list[str]:
    site, truth = outcome.site, one.truth
    lines = [
        (
            f"wind {site.wind_mps:+.2f} sd {site.wind_sd_mps:.2f}, true {truth.wind_mps:+.2f} m/s "
            f"({(site.wind_mps - truth.wind_mps) / site.wind_sd_mps:+.1f} sigma)"
        ),
        (
            f"mean slope {100 * site.slope:+.3f} sd {100 * site.slope_sd:.3f}, true "
            f"{100 * truth.slope:+.3f} % ({(site.slope - truth.slope) / site.slope_sd:+.1f} sigma)"
        ),
    ]
    for sensor, log in zip(outcome.sensors, truth.logs, strict=True):
        text = f"log {sensor.log}: "
        if sensor.gps_lag_s is not None and sensor.gps_lag_sd_s:
            away = sensor.gps_lag_s - log.gps_lag_s
            text += (
                f"lag {sensor.gps_lag_s:.3f} sd {sensor.gps_lag_sd_s:.3f}, true {log.gps_lag_s:.3f}"
                f" s ({away / sensor.gps_lag_sd_s:+.1f} sigma)"
            )
        if sensor.accel_scale is not None:
            text += f"; scale {sensor.accel_scale:.4f}, true {log.accel_scale:.4f}"
        if not sensor.accel_used:
            text += f"; accelerometer not used: {sensor.why_not}"
        lines.append(text)
    return lines


def _runs(one: Opened, fit: SessionFit) -> list[str]:
    """Return each fitted run's misses and its own unknowns."""
    import numpy as np

    from analysis.model.parameters import local_slices

    lines = [
        (
            f"fit: {fit.rounds} rounds, converged {fit.converged}, {fit.layout.size} shared unknowns; "
            f"receiver smoothing {fit.shared[fit.layout.MEMORY]:.3f} s, true "
            f"{one.truth.logs[0].gps_smoothing_s:.3f}; scale k {fit.shared[fit.layout.SCALE]:+.4f}, "
            f"true {one.truth.logs[0].accel_scale - 1:+.4f}"
        )
    ]
    for state, lin in zip(fit.states, fit.lins, strict=True):
        own = local_slices(state.data)
        path = one.truth.paths[state.data.run.log]
        log = one.truth.logs[state.data.run.log]
        true = np.interp(state.data.edge_s, path.time_s - log.path_offset_s, path.speed_mps)
        away = lin.path_mps - true
        worst = int(np.argmax(np.abs(away)))
        words = [
            (
                f"run {state.data.run.number}: {state.data.fix_s.size} fixes, "
                f"{int(np.sum(state.fix_weight == 0))} left out, miss rms "
                f"{np.sqrt(np.mean(lin.fix_miss**2)):.3f} m/s; speed path off by rms "
                f"{np.sqrt(np.mean(away**2)):.3f}, at most {away[worst]:+.3f} m/s at "
                f"{3.6 * true[worst]:.0f} km/h"
            )
        ]
        words += [
            f"{name} {state.local[own[name]][0]:+.4f}"
            for name in ("wind", "pull", "scale", "offset")
            if name in own and own[name].stop > own[name].start
        ]
        lines.append("; ".join(words))
    return lines


def _levels(one: Opened, fit: SessionFit) -> list[str]:
    """Return the noise levels learnt beside the true ones."""
    from oracle import true_knots, true_runs, true_spread

    from analysis.model.parameters import spread_table

    true = spread_table(true_spread(one, true_runs(one), true_knots(one)))
    lines = [f"{'noise level':16}{'learnt':>10}{'true':>10}{'ratio':>8}"]
    for name, value in spread_table(fit.spread).items():
        if name in ("lag", "scale"):
            continue  # priors that nothing is learnt about; the oracle's say how well it knows them
        lines.append(f"{name:16}{value:10.4g}{true[name]:10.4g}{value / true[name]:8.2f}")
    return lines


def main(argv: Sequence[str] | None = None) -> int:
    """Print one session's diagnosis; return 0."""
    parser = argparse.ArgumentParser(description=__doc__)
    names = ("clean", "rough", "gps-only", "one-pair", "one-way")
    parser.add_argument("--case", choices=names, default="clean")
    parser.add_argument("--seed", type=int, required=True)
    arguments = parser.parse_args(argv)
    from accuracy_cases import CASES, opened

    with tempfile.TemporaryDirectory(prefix="pullcoast_diagnose_") as folder:
        one, _ = opened(CASES[arguments.case], arguments.seed, Path(folder) / "session")
    print(f"{arguments.case}, seed {arguments.seed}: {one.session.vehicle.name}")
    print("\n".join(diagnosis(one)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
