"""The command `pullcoast batch`: every session of a folder, with a table of all."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from analysis.terminal.command_line import Command, new_app
from analysis.terminal.errors import EXIT_NOTHING, EXIT_OK
from analysis.terminal.lines import wrap
from analysis.terminal.options import (
    NoDates,
    PowerUnitOption,
    Quiet,
    RefuseDoubtful,
    SpeedUnitOption,
    argument,
    flag,
    option,
    whole,
)
from logger.findings import counted

__all__ = ["app", "batch"]

_COLUMNS = 80
#: The terminal names so many failures; the table names all.
_MOST_FAILURES = 12

_DESCRIPTION = """\
Report on every session in a folder and the folders in it, several at a time, with a table of all.

Each session (a folder with a session.toml) gets a folder of results under DIR; batch.csv and
batch.html set them side by side. One that fails stops none of the others: the table says why. Given
again, the command does only what is new: results are kept while session.toml, logs and pullcoast
itself are what they were. That holds after Ctrl-C and after a power cut too.

With --dask the same work goes to a dask cluster whose workers have pullcoast installed and see the
same files under the same paths: python -m pip install 'pullcoast[cluster]'."""

_EXAMPLES = """\
examples:
  pullcoast batch outings --out results
  pullcoast batch outings --out results --workers 2 --power PS
  pullcoast batch outings --out results --dask tcp://10.0.0.5:8786"""

app = new_app()


@app.command(cls=Command, help=_DESCRIPTION, epilog=_EXAMPLES)
def batch(
    folder: Annotated[str, argument("FOLDER", "where the sessions lie, also in folders")],
    out: Annotated[str, option("--out", "DIR", "where the results go")],
    quiet: Quiet = False,
    workers: Annotated[
        int | None,
        option(
            "--workers",
            "N",
            "sessions at a time (default: one per processor)",
            parser=whole(1, 256),
        ),
    ] = None,
    dask: Annotated[
        str | None, option("--dask", "ADDRESS", "scheduler of a cluster that does the work")
    ] = None,
    as_json: Annotated[bool, flag("--json", "print the table for programs, in SI units")] = False,
    allow_outside: Annotated[
        bool, flag("--allow-outside", "let session.toml files name logs outside their folders")
    ] = False,
    no_dates: NoDates = False,
    power: PowerUnitOption = None,
    speed_unit: SpeedUnitOption = None,
    refuse_doubtful: RefuseDoubtful = False,
) -> int:
    """Run ``pullcoast batch`` and return the worst exit status of its sessions."""
    from analysis.batch.run import batch_json, run_batch

    rows, outcomes = run_batch(
        Path(folder),
        Path(out),
        workers=workers,
        dask=dask,
        power=power,
        speed=speed_unit,
        allow_outside=allow_outside,
        dates=not no_dates,
        quiet=quiet,
    )
    failures = {row.name: row.message for row in rows if row.failed}
    done = len(rows) - len(failures)
    doubtful = sum(row.figures.get("trust") == "doubtful" for row in rows)
    kept = sum(outcome.kept for outcome in outcomes)
    if as_json:
        print(batch_json(rows, done, len(failures), kept), end="")
    else:
        print("\n".join([*_lines(done, failures, kept, doubtful), f"Written to {out}:"]))
        print("  batch.html batch.csv, a folder per session")
    least = EXIT_NOTHING if doubtful and refuse_doubtful else EXIT_OK
    return max((least, *(outcome.status for outcome in outcomes)))


def _lines(done: int, failures: dict[str, str], kept: int, doubtful: int) -> list[str]:
    """Return how many sessions were done, and the first failures with their reasons."""
    counts = [f"{done} done"]
    if failures:
        counts.append(f"{len(failures)} failed")
    if doubtful:
        counts.append(f"{doubtful} of them doubtful")
    if kept:
        counts.append(f"{kept} of them kept from before, since nothing has changed")
    sessions = counted(done + len(failures), "session")
    lines = wrap(f"{sessions}: {', '.join(counts)}", _COLUMNS)
    for name in sorted(failures)[:_MOST_FAILURES]:
        lines += wrap(f"failed: {name}: {failures[name]}", _COLUMNS, subsequent_indent="  ")
    if len(failures) > _MOST_FAILURES:
        lines.append(f"and {len(failures) - _MOST_FAILURES} more in the table")
    return lines
