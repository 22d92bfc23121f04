"""What benchmarks found beside what they should: kept as JSON, shown as one table.

Each benchmark hands its figures to `keep_figures` when told to keep its output; `run.py` shows what
is kept. `PULLCOAST_BENCHMARK_RESULTS` names another folder than `results`, for trials.
"""

from __future__ import annotations

import json
import math
import os
import platform
import textwrap
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

from logger.writing import write_text_atomic

__all__ = [
    "Figure",
    "Kept",
    "figures_folder",
    "keep_figures",
    "keep_text",
    "kept_figures",
    "results_folder",
    "table",
]

#: Width of the lines below a table, in characters.
_WIDTH = 100


def _load() -> float | None:
    """Return the load of the last minute, None where the system does not tell."""
    return os.getloadavg()[0] if hasattr(os, "getloadavg") else None


#: Before the benchmark has done anything: it loads this module first.
_LOAD_AT_START = _load()


@dataclass(frozen=True, slots=True)
class Figure:
    """One number that a benchmark found, and the bounds that it should keep.

    Parameters
    ----------
    what : str
        What was measured.
    found : float
        The number, in `unit`.
    lowest, highest : float or None
        Bounds, both met where equalled; None where there is none.
    unit : str
        As printed behind the number: "%", "x" for a ratio, "s"; empty for a count.
    """

    what: str
    found: float
    lowest: float | None = None
    highest: float | None = None
    unit: str = ""

    def __post_init__(self) -> None:
        numbers = (self.found, self.lowest, self.highest)
        if not all(math.isfinite(one) for one in numbers if one is not None):
            message = f"{self.what}: a figure and its bounds are finite numbers, not {numbers}"
            raise ValueError(message)

    @property
    def verdict(self) -> str:
        """Whether the bounds are kept: "met", "MISSED", or "no goal"."""
        if self.lowest is None and self.highest is None:
            return "no goal"
        low = self.lowest is None or self.found >= self.lowest
        high = self.highest is None or self.found <= self.highest
        return "met" if low and high else "MISSED"

    @property
    def goal(self) -> str:
        """The bounds as text."""
        if self.lowest is not None and self.highest is not None:
            return f"{self.lowest:.4g} to {self.highest:.4g}{self._unit}"
        if self.highest is not None:
            return f"at most {self.highest:.4g}{self._unit}"
        return "" if self.lowest is None else f"at least {self.lowest:.4g}{self._unit}"

    @property
    def found_text(self) -> str:
        """The number as text, with more digits where fewer would hide on which side of a bound."""
        digits = 3
        bounds = [one for one in (self.lowest, self.highest) if one is not None]
        while digits < 9 and any(
            float(f"{self.found:.{digits}g}") == one != self.found for one in bounds
        ):
            digits += 1
        return f"{_plain(self.found, digits)}{self._unit}"

    @property
    def _unit(self) -> str:
        return f" {self.unit}" if self.unit else ""


def _plain(value: float, digits: int) -> str:
    """Write a number to some digits without an exponent, and a whole number whole."""
    if value == round(value):
        return f"{value:.0f}"
    size = math.floor(math.log10(abs(value)))
    return f"{value:.{max(digits - 1 - size, 0)}f}"


@dataclass(frozen=True, slots=True)
class Kept:
    """The figures of one benchmark, and what they depend on besides the program.

    Parameters
    ----------
    benchmark : str
        Its name.
    date : str
        Day on which it ended, UTC, as ISO 8601.
    of : str
        How much was measured: "200 sessions".
    machine : str
        Kind of machine: system, processor family, number of cores, version of Python.
    load : float or None
        Processes that wanted a core in the minute before the start; None where not known.
    figures : tuple of Figure
        What was found.
    """

    benchmark: str
    date: str
    of: str
    machine: str
    load: float | None
    figures: tuple[Figure, ...]


def results_folder() -> Path:
    """Return the folder of what is kept, made where it is not there."""
    chosen = os.environ.get("PULLCOAST_BENCHMARK_RESULTS")
    folder = Path(chosen) if chosen else Path(__file__).resolve().with_name("results")
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def figures_folder() -> Path:
    """Return the folder of the kept figures; it may not be there."""
    return results_folder() / "figures"


def keep_text(name: str, text: str, part: str = "") -> Path:
    """Write what a benchmark printed in place of its earlier text; return the file."""
    path = results_folder() / f"{name}{part}.txt"
    write_text_atomic(path, text.rstrip("\n") + "\n")
    return path


def keep_figures(benchmark: str, figures: Sequence[Figure], of: str = "") -> Path:
    """Write the figures of one benchmark in place of its earlier ones.

    Parameters
    ----------
    benchmark : str
        Its name, and the file's.
    figures : sequence of Figure
        What was found.
    of : str
        How much was measured.

    Returns
    -------
    Path
        The file.
    """
    system = f"{platform.system()} {platform.machine()}, {os.cpu_count()} cores"
    kept = Kept(
        benchmark,
        f"{datetime.now(UTC):%Y-%m-%d}",
        of,
        f"{system}, Python {platform.python_version()}",
        None if _LOAD_AT_START is None else round(_LOAD_AT_START, 1),
        tuple(figures),
    )
    folder = figures_folder()
    folder.mkdir(exist_ok=True)
    path = folder / f"{benchmark}.json"
    write_text_atomic(path, json.dumps(asdict(kept), indent=1, allow_nan=False) + "\n")
    return path


def kept_figures() -> list[Kept]:
    """Return what is kept of every benchmark, by name."""
    found = []
    for path in sorted(figures_folder().glob("*.json")):
        fields = json.loads(path.read_text(encoding="utf-8"))
        figures = tuple(Figure(**one) for one in fields.pop("figures"))
        found.append(Kept(**fields, figures=figures))
    return found


def table(every: Sequence[Kept]) -> str:
    """Return the figures as aligned lines, one each, and below them on what they were measured."""
    if not every:
        return "no figures are kept yet"
    rows = [("benchmark", "figure", "found", "goal", "verdict", "date")]
    for kept in every:
        for one in kept.figures:
            row = (kept.benchmark, one.what, one.found_text, one.goal, one.verdict, kept.date)
            rows.append(row)
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    lines = []
    for row in rows:
        cells = [
            text.rjust(width) if column == 2 else text.ljust(width)
            for column, (text, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("  ".join(cells).rstrip())
    verdicts = [one.verdict for kept in every for one in kept.figures]
    counts = ", ".join(f"{verdicts.count(one)} {one}" for one in ("met", "MISSED", "no goal"))
    lines += ["", f"{len(verdicts)} figures: {counts}"]
    for machine in dict.fromkeys(kept.machine for kept in every):
        of = [_surroundings(kept) for kept in every if kept.machine == machine]
        lines += textwrap.wrap(
            f"{machine}; load before the start: " + "; ".join(of), _WIDTH, subsequent_indent="  "
        )
    return "\n".join(lines)


def _surroundings(kept: Kept) -> str:
    """Return how busy the machine was, and of how much the figures are."""
    load = "not known" if kept.load is None else f"{kept.load:.1f}"
    return f"{kept.benchmark} {load}" + (f" ({kept.of})" if kept.of else "")
