"""Figures as files of their own: SVG to scale, PNG to show anywhere, CSV of what is drawn."""

from __future__ import annotations

import io
from collections.abc import Iterable
from typing import Any

from analysis.plots.style import COLOURS, Figure, Plot, svg_settings
from analysis.plots.svg import shortened

__all__ = ["plot_files"]

_DOTS_PER_INCH = 200


def plot_files(plots: Iterable[Plot]) -> dict[str, str | bytes]:
    """Return each file's name and content: ``NAME.svg``, ``NAME.png`` and ``NAME.csv`` per figure.

    Parameters
    ----------
    plots : iterable of Plot
        Figures of a page; each gets its title and a white ground.

    Returns
    -------
    dict
        The same bytes for the same figures: no dates, no random names.
    """
    files: dict[str, str | bytes] = {}
    for plot in plots:
        if plot.figure is None:
            continue
        _entitle(plot.figure, plot.title)
        files[f"{plot.name}.svg"] = shortened(_saved(plot.figure, "svg").decode())
        files[f"{plot.name}.png"] = _saved(plot.figure, "png")
        if plot.csv:
            files[f"{plot.name}.csv"] = plot.csv
    return files


def _entitle(figure: Figure, title: str) -> None:
    """Write the title above a figure that has none, since its page wrote it."""
    if not any(text.get_gid() == "title" for text in figure.texts):
        above = 1.0 + 0.06 / float(figure.get_size_inches()[1])
        figure.text(
            0.0, above, title, size=10, weight="bold", va="bottom", color=COLOURS["ink"],
            gid="title", parse_math=False,
        )  # fmt: skip


def _saved(figure: Figure, kind: str) -> bytes:
    """Return a figure as the bytes of a file."""
    buffer = io.BytesIO()
    nothing: dict[str, Any] = {"Date": None, "Creator": None} if kind == "svg" else {}
    with svg_settings():
        figure.savefig(
            buffer, format=kind, dpi=_DOTS_PER_INCH, facecolor="white", bbox_inches="tight",
            pad_inches=0.08, metadata=nothing,
        )  # fmt: skip
    return buffer.getvalue()
