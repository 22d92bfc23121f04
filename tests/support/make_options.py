"""What the command line knows, as its help shows it."""

from __future__ import annotations

from typing import Any

import typer

from analysis.cli.main import build_command

__all__ = ["every_command", "every_option"]


def every_command() -> dict[str, Any]:
    """Return each command by its name; the whole line itself is called ""."""
    whole = build_command()
    context = typer.Context(whole, info_name="pullcoast")
    return {"": whole} | {name: whole.get_command(context, name) for name in whole.table}


def every_option() -> dict[str, set[str]]:
    """Return the options of each command."""
    return {
        name: {
            option
            for parameter in command.get_params(typer.Context(command))
            for option in (*parameter.opts, *parameter.secondary_opts)
            if option.startswith("-")
        }
        for name, command in every_command().items()
    }
