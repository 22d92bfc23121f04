"""Columns of plain numbers, read by the fast readers of numpy and pandas."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Collection, Iterator

import numpy as np
from numpy.typing import NDArray

from logger.layout import Layout
from logger.scans import has_infinite

__all__ = ["PIECE", "Columns", "pieces_of", "with_numpy", "with_pandas"]

#: Columns as floats, and those of long whole numbers exactly.
Columns = tuple[dict[int, NDArray[np.float64]], dict[int, NDArray[np.int64]]]
#: Stands for a blank cell on its way through numpy's reader; no sensor gives it.
_BLANK = "3e-99"
_BLANK_VALUE = float(_BLANK)
#: Characters of the body that are split into rows at a time.
PIECE = 1 << 17
#: Rows that the C reader of pandas gives at a time.
_PANDAS_ROWS = 1 << 16


def pieces_of(text: str) -> Iterator[str]:
    """Yield whole lines of a text, some thousand at a time."""
    at = 0
    while at < len(text):
        end = text.find("\n", at + PIECE)
        end = len(text) if end < 0 else end + 1
        yield text[at:end]
        at = end


def with_numpy(
    body: str, wanted: list[int], layout: Layout, rows: int
) -> dict[int, NDArray[np.float64]] | None:
    """Read with numpy's C tokenizer; None where anything is not a plain number or blank."""
    columns: dict[int, NDArray[np.float64]] = {index: np.empty(rows) for index in wanted}
    at = 0
    for piece in pieces_of(body):
        try:
            array = np.loadtxt(
                _filled(piece, layout).removesuffix("\n").split("\n"),
                delimiter=layout.delimiter,
                usecols=wanted,
                comments=None,
                ndmin=2,
                quotechar=None,
            )
        except ValueError:
            return None
        end = at + len(array)
        if end > rows or not np.isfinite(array).all():
            return None
        array[array == _BLANK_VALUE] = np.nan
        for k, index in enumerate(wanted):
            columns[index][at:end] = array[:, k]
        at = end
    return columns if at == rows else None


def _filled(text: str, layout: Layout) -> str:
    """Return lines with decimal points and without blank cells, as numpy's reader wants them."""
    delimiter = layout.delimiter
    if layout.decimal_comma:
        text = text.replace(",", ".")
    if delimiter * 2 in text:
        filled = f"{delimiter}{_BLANK}{delimiter}"
        text = text.replace(delimiter * 2, filled).replace(delimiter * 2, filled)
    text = text.replace(f"{delimiter}\n", f"{delimiter}{_BLANK}\n")
    text = text.replace(f"\n{delimiter}", f"\n{_BLANK}{delimiter}")
    if text.startswith(delimiter):
        text = _BLANK + text
    if text.endswith(delimiter):
        text += _BLANK
    return text


def with_pandas(
    body: bytes,
    wanted: list[int],
    layout: Layout,
    rows: int,
    whole: Collection[int],
    advance: Callable[[int], None] | None,
) -> Columns | None:
    """Read with the C reader of pandas; None where anything is not a plain number or blank.

    It reads piece by piece into columns that are there already: neither its copy of all columns nor
    ours of its copy is ever made.
    """
    import pandas as pd

    _keep_freed_memory()
    columns: dict[int, NDArray[np.float64]] = {index: np.empty(rows) for index in wanted}
    exact = {index: np.empty(rows, dtype=np.int64) for index in whole}
    head = body[layout.offset : layout.offset + PIECE]
    mark = layout.delimiter.encode()
    likely = any(pair in head for pair in (mark * 2, mark + b"\n", b"\n" + mark))
    for blanks in (True,) if likely else (False, True):
        source = io.BytesIO(body)  # shares the bytes, does not copy them
        source.seek(layout.offset)
        at = 0
        try:
            for frame in pd.read_csv(
                source,
                sep=layout.delimiter,
                header=None,
                usecols=wanted,
                dtype={index: np.int64 if index in exact else np.float64 for index in wanted},
                decimal="," if layout.decimal_comma else ".",
                na_filter=blanks,
                keep_default_na=False,
                na_values=[""] if blanks else None,
                skip_blank_lines=False,
                quoting=csv.QUOTE_NONE,
                encoding_errors="replace",
                chunksize=_PANDAS_ROWS,
            ):
                end = at + len(frame)
                if end > rows:
                    return None
                for index in wanted:
                    read = frame[index].to_numpy()
                    columns[index][at:end] = read
                    if index in exact:
                        exact[index][at:end] = read
                    elif has_infinite(read):
                        return None
                at = end
                if advance is not None:
                    advance(len(body) * at // rows)
        except (ValueError, OverflowError):
            continue
        return (columns, exact) if at == rows else None
    return None


def _keep_freed_memory() -> None:
    """Let memory that a piece has used be used again for the next one.

    The C library of Linux gives blocks above a size back to the system when they are freed, and
    fresh ones cost more than reading numbers into them. That size grows to the largest block freed
    so far, up to 32 MiB (mallopt(3), M_MMAP_THRESHOLD); elsewhere this does nothing.
    """
    np.empty(31 << 20, dtype=np.uint8)
