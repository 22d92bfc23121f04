"""Arguments of `pullcoast batch`."""

from __future__ import annotations

import argparse

from analysis.terminal.options import Parser, add_unit_options, new_command, whole

__all__ = ["add_batch"]

_BATCH = """\
Report on every session in a folder and the folders in it, several at a time, with a table of all.

Each session (a folder with a session.toml) gets a folder of results under DIR; batch.csv and
batch.html set them side by side. One that fails stops none of the others: the table says why. Given
again, the command does only what is new: results are kept while session.toml, logs and pullcoast
itself are what they were. That holds after Ctrl-C and after a power cut too.

With --dask the same work goes to a dask cluster whose workers have pullcoast installed and see the
same files under the same paths: python -m pip install 'pullcoast[cluster]'."""

_BATCH_EXAMPLES = """\
examples:
  pullcoast batch outings --out results
  pullcoast batch outings --out results --workers 2 --power PS
  pullcoast batch outings --out results --dask tcp://10.0.0.5:8786"""


def add_batch(commands: argparse._SubParsersAction[Parser]) -> None:
    """Add `pullcoast batch`."""
    title = "reports on all sessions in a folder"
    parser = new_command(commands, "batch", title, _BATCH, _BATCH_EXAMPLES)
    parser.add_argument("folder", metavar="FOLDER", help="where the sessions lie, also in folders")
    parser.add_argument("--out", metavar="DIR", required=True, help="where the results go")
    parser.add_argument(
        "--workers",
        type=whole(1, 256),
        metavar="N",
        help="sessions at a time (default: one per processor)",
    )
    parser.add_argument(
        "--dask", metavar="ADDRESS", help="scheduler of a cluster that does the work"
    )
    parser.add_argument(
        "--json", action="store_true", help="print the table for programs, in SI units"
    )
    parser.add_argument(
        "--allow-outside",
        action="store_true",
        help="let session.toml files name logs outside their folders",
    )
    add_unit_options(parser.add_argument_group("display"), power=True)
