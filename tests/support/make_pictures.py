"""The README's pictures, drawn of a sample session: `python tests/support/make_pictures.py` makes them anew."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from make_sessions import recordings_of

from analysis.pipeline import Analysis, analyse
from analysis.plots.curves import report_plots
from analysis.plots.files import plot_files
from analysis.text.numbers import Units
from logger.session.session import read_session

__all__ = ["PICTURES", "bare_van", "drawn"]

_SAMPLES = Path(__file__).resolve().parents[2] / "sample_logs"
#: Where the pictures lie, and which of the report's figures they are.
PICTURES = _SAMPLES / "pictures"
_SHOWN = ("wheel-power", "road-load", "speed-time", "budget-power")


@cache
def bare_van() -> Analysis:
    """Return the sample session that the pictures are of, worked out."""
    session = read_session(_SAMPLES / "van_bare")
    return analyse(session, recordings_of(session))


def drawn() -> dict[str, str]:
    """Return name and text of each picture as it would be drawn now."""
    outcome = bare_van()
    plots = report_plots(outcome, Units.of(outcome.session.display))
    files = plot_files(plot for plot in plots if plot.name in _SHOWN)
    return {
        name: content
        for name, content in files.items()
        if isinstance(content, str) and name.endswith(".svg")
    }


if __name__ == "__main__":
    PICTURES.mkdir(exist_ok=True)
    for name, text in drawn().items():
        (PICTURES / name).write_text(text, encoding="utf-8")
