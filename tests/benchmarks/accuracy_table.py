"""Scores of many sessions as a table beside the goals."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from accuracy_cases import SPEEDS_KMH, Case
from accuracy_scores import Score
from figures import Figure
from numpy.typing import NDArray
from scipy.stats import binom

__all__ = ["Row", "binomial_band", "figures", "ratios", "rows", "summarise", "table"]

Array = NDArray[np.float64]

#: Shares of a normal distribution within these numbers of sd.
_INSIDE_68, _INSIDE_95 = 0.9945, 1.9600
#: Coverage may leave the binomial band by this much: intervals are rounded and approximate.
_WIDER = 0.02


@dataclass(frozen=True, slots=True)
class Row:
    """One quantity over all sessions; ratios to the truth.

    Parameters
    ----------
    name : str
        What.
    rms, median, bias : float
        Root mean square, median size and mean of the errors.
    sd, z : float or None
        Mean stated sd; root mean square of error over sd.
    goal : float or None
        Largest rms allowed.
    count : int
        Number of sessions.
    """

    name: str
    rms: float
    median: float
    bias: float
    sd: float | None
    z: float | None
    goal: float | None
    count: int

    @property
    def passed(self) -> bool | None:
        """Whether the goal is met; None without one."""
        return None if self.goal is None else self.rms <= self.goal


def binomial_band(share: float, count: int, wider: float = _WIDER) -> tuple[float, float]:
    """Return the central 99 % band of an observed share, widened each way, within 0 to 1."""
    low, high = binom.interval(0.99, count, share)
    return max(0.0, float(low) / count - wider), min(1.0, float(high) / count + wider)


def _row(name: str, errors: Array, sds: Array, goal: float | None) -> Row:
    sd = z = None
    if sds.size:
        sd, z = float(np.mean(sds)), float(np.sqrt(np.mean((errors / sds) ** 2)))
    return Row(
        name,
        float(np.sqrt(np.mean(errors**2))),
        float(np.median(np.abs(errors))),
        float(np.mean(errors)),
        sd,
        z,
        goal,
        errors.size,
    )


def rows(scores: Sequence[Score], case: Case) -> list[Row]:
    """Return one row per quantity that any session has."""
    result: list[Row] = []
    loads = [one for one in scores if one.load_error]
    for at, kmh in enumerate(SPEEDS_KMH):
        if loads:
            errors = np.array([one.load_error[at] for one in loads])
            sds = np.array([one.load_sd[at] for one in loads if one.load_sd])
            goal = None if case.load_goal is None else case.load_goal[at]
            result.append(_row(f"road load at {kmh:.0f} km/h", errors, sds, goal))
    peaks = [one for one in scores if one.peak_error is not None]
    if peaks:
        errors = np.array([one.peak_error for one in peaks], dtype=np.float64)
        sds = np.array([one.peak_sd for one in peaks if one.peak_sd is not None], dtype=np.float64)
        result.append(_row("peak wheel power", errors, sds, case.peak_goal))
    means = [one.mean_error for one in scores if one.mean_error is not None]
    if means:
        errors = np.array(means, dtype=np.float64)
        result.append(_row("mean wheel power", errors, np.zeros(0), None))
    curves = [one.curve_error for one in scores if one.curve_error is not None]
    if curves:
        errors = np.array(curves, dtype=np.float64)
        z = [one.curve_z for one in scores if one.curve_z is not None]
        row = _row("whole power curve", errors, np.zeros(0), None)
        whole = float(np.sqrt(np.mean(np.square(z)))) if z else None
        result.append(
            Row(row.name, row.rms, row.median, float("nan"), None, whole, None, row.count)
        )
    return result


def _coverage(scores: Sequence[Score]) -> list[tuple[str, float, float, float, int]]:
    """Return (what, share held, share meant, rms z, number) of the 68 % and 95 % intervals."""
    loads = [one for one in scores if one.load_sd]
    lines: list[tuple[str, float, float, float, int]] = []
    if loads:
        z = np.array([np.array(one.load_error) / np.array(one.load_sd) for one in loads]).ravel()
        size = float(np.sqrt(np.mean(z**2)))
        for meant, reach in ((0.68, _INSIDE_68), (0.95, _INSIDE_95)):
            held = float(np.mean(np.abs(z) <= reach))
            lines.append(("road load, three speeds", held, meant, size, z.size))
    peaks = [
        (one.peak_error / one.peak_sd, one.peak_inside)
        for one in scores
        if one.peak_error is not None and one.peak_sd is not None
    ]
    if peaks:
        z = np.array([ratio for ratio, _ in peaks])
        size = float(np.sqrt(np.mean(z**2)))
        held = float(np.mean(np.abs(z) <= _INSIDE_68))
        lines.append(("peak wheel power", held, 0.68, size, z.size))
        lines.append(
            ("peak wheel power", float(np.mean([i for _, i in peaks])), 0.95, size, z.size)
        )
    return lines


def _judged_share(what: str, held: float, meant: float, count: int, case: Case) -> Figure:
    """Return the share that intervals hold, in its band; one-way intervals may hold more."""
    low, high = binomial_band(meant, count)
    name = f"{what}: {100 * meant:.0f} % intervals hold"
    return Figure(name, 100 * held, 100 * low, None if case.one_way else 100 * high, "%")


def figures(
    by_method: Mapping[str, Sequence[Score]], ours: str, oracle: str, case: Case
) -> list[Figure]:
    """Return what one case found that has a goal.

    Parameters
    ----------
    by_method : mapping of name to scores
        Of the same sessions; the oracle need not be among them.
    ours, oracle : str
        Names of the project itself and of the oracle.
    case : Case
        Its goals.

    Returns
    -------
    list of Figure
        Errors, coverage of intervals, sessions that failed, ratios to the oracle.
    """
    own = rows(by_method[ours], case)
    found = [
        Figure(f"{row.name}, rms error", 100 * row.rms, None, 100 * row.goal, "%")
        for row in own
        if row.goal is not None
    ]
    found += [
        _judged_share(what, held, meant, count, case)
        for what, held, meant, _, count in _coverage(by_method[ours])
    ]
    found.append(
        Figure("sessions that fail", float(sum(one.crashed for one in by_method[ours])), None, 0.0)
    )
    if oracle in by_method:
        other = rows(by_method[oracle], case)
        compared = _compared({row.name: row for row in own}, {row.name: row for row in other}, case)
        found += [
            Figure(f"{name}, {what} over oracle", ratio, None, goal, "x")
            for name, what, ratio, goal in compared
            if goal is not None
        ]
    return found


def summarise(scores: Sequence[Score]) -> str:
    """Return what became of the sessions, in a sentence or two."""
    refusals = [one for one in scores if one.refusal and not one.crashed]
    crashes = [one for one in scores if one.crashed]
    good = [one for one in scores if not one.refusal]
    wrong = [one.seed for one in good if one.gears != one.true_gears]
    text = f"{len(good)} sessions analysed, {len(refusals)} refused, {len(crashes)} failed"
    text += f"; number of gears wrong in {len(wrong)}"
    if wrong:
        text += (
            " (seeds " + " ".join(map(str, wrong[:12])) + (" ..." if len(wrong) > 12 else "") + ")"
        )
    if good:
        shares = [one.curve_share for one in good if one.curve_share is not None]
        if shares:
            text += f"; curves cover {100 * np.mean(shares):.1f} % of the true speeds"
        text += f"; {np.mean([one.seconds for one in good]):.2f} s of processor time each"
    for one in (*refusals, *crashes):
        text += f"\n    seed {one.seed}: {one.refusal[:160]}"
    return text


def table(scores: Sequence[Score], case: Case) -> list[str]:
    """Return the lines of one case: errors beside goals, then the intervals.

    The rms error of N sessions has itself a relative sd of about 1 / sqrt(2 N). The band of the
    road load takes the three speeds of a session for independent, which makes it narrower than it
    need be.
    """
    lines = [f"{case.name}: {case.words}", f"  {summarise(scores)}"]
    head = (
        f"  {'':26}{'rms':>8}{'goal':>8}{'':>6}{'median':>9}{'bias':>9}{'mean sd':>9}{'rms z':>7}"
    )
    lines.append(head)
    for row in rows(scores, case):
        verdict = "" if row.passed is None else ("pass" if row.passed else "MISS")
        lines.append(
            f"  {row.name:26}{_percent(row.rms)}{_percent(row.goal)}{verdict:>6}"
            f"{_percent(row.median, 9)}{_percent(row.bias, 9, sign=True)}{_percent(row.sd, 9)}"
            f"{'' if row.z is None else f'{row.z:.2f}':>7}"
        )
    lines.append(
        f"  {'intervals hold the truth':26}{'share':>8}{'meant':>8}{'':>6}{'band':>16}{'n':>7}"
    )
    for what, held, meant, _, count in _coverage(scores):
        low, high = binomial_band(meant, count)
        judged = _judged_share(what, held, meant, count, case)
        verdict = "pass" if judged.verdict == "met" else "MISS"
        if case.one_way and held > high:
            # the default priors are wider than what the simulator draws wind and slope from
            verdict = "wide"
        band = f"{100 * low:.1f}-{100 * high:.1f} %"
        share = f"{100 * meant:.0f} %"
        lines.append(f"  {what:26}{_percent(held)}{share:>8}{verdict:>6}{band:>16}{count:>7}")
    return lines


def _percent(value: float | None, width: int = 8, *, sign: bool = False) -> str:
    if value is None or not np.isfinite(value):
        return " " * width
    return f"{100 * value:{'+' if sign else ''}.2f} %".rjust(width)


def ratios(
    by_method: Mapping[str, Sequence[Score]], ours: str, oracle: str, case: Case
) -> list[str]:
    """Return the lines that set the project beside the oracle and the others.

    Parameters
    ----------
    by_method : mapping of name to scores
        Of the same sessions.
    ours, oracle : str
        Names of the project itself and of the oracle.
    case : Case
        Its goals.

    Returns
    -------
    list of str
        Rms errors of every method, and what is left of them as a ratio; empty without others.
    """
    if len(by_method) < 2:
        return []
    tables = {
        method: {row.name: row for row in rows(scores, case)}
        for method, scores in by_method.items()
    }
    lines = [f"  {'rms error and ratio':26}" + "".join(f"{name:>16}" for name in by_method)]
    for name, own in tables[ours].items():
        cells = ""
        for method, found in tables.items():
            row = found.get(name)
            if row is None:
                cells += f"{'-':>16}"
                continue
            ratio = own.rms / row.rms if method == oracle else row.rms / own.rms
            cells += f"{_percent(row.rms)}" + (" " * 8 if method == ours else f"{ratio:6.2f} x")
        lines.append(f"  {name:26}{cells}")
    if oracle in tables:
        lines += _beside_oracle(tables[ours], tables[oracle], case)
    for method, scores in by_method.items():
        failed = [one for one in scores if one.refusal]
        if method != ours and failed:
            lines.append(f"  {method}: nothing from {len(failed)}, {failed[0].refusal[:100]}")
    return lines


def _compared(
    ours: Mapping[str, Row], oracle: Mapping[str, Row], case: Case
) -> list[tuple[str, str, float, float | None]]:
    """Return (quantity, what of it, ratio of ours to the oracle's, largest ratio allowed)."""
    found = []
    for name, own in ours.items():
        other = oracle.get(name)
        if other is None or own.sd is None or other.sd is None:
            continue
        found.append((name, "rms error", own.rms / other.rms, case.oracle_goal))
        found.append((name, "mean sd", own.sd / other.sd, case.sd_goal))
    return found


def _beside_oracle(ours: Mapping[str, Row], oracle: Mapping[str, Row], case: Case) -> list[str]:
    parts: dict[str, list[str]] = {}
    for name, what, ratio, goal in _compared(ours, oracle, case):
        text = f"{what} {ratio:.2f} x"
        if goal is not None:
            text += f", goal {goal} x: {'pass' if ratio <= goal else 'MISS'}"
        parts.setdefault(name, []).append(text)
    return [f"  {name:26}ours over oracle: " + "; ".join(of) for name, of in parts.items()]
