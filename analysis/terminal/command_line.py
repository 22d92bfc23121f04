"""Commands on typer: plain help, modules loaded when asked for, one line for every wrong use."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from contextlib import redirect_stdout
from difflib import get_close_matches
from importlib import import_module
from typing import Any, ClassVar

import typer
from typer.core import TyperArgument, TyperCommand, TyperGroup

__all__ = ["SETTINGS", "Command", "LazyCommands", "new_app", "usage_message"]

#: Of every command's context: both names of the help, and how wide it may get.
SETTINGS = {"help_option_names": ["-h", "--help"], "max_content_width": 100}


def new_app(*, add_completion: bool = False, **settings: Any) -> typer.Typer:
    """Return a typer application without markup, boxes, and tracebacks of its own."""
    return typer.Typer(
        add_completion=add_completion,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        context_settings=SETTINGS,
        **settings,
    )


def usage_message(error: typer.TyperException) -> str:
    """Return one line on a wrong use: which argument, what is wrong with it, where the help is."""
    text = error.message.rstrip(".")
    parameter = getattr(error, "param", None)
    if parameter is not None:
        text = f"argument {_names(parameter)}: {text}"
    context = getattr(error, "ctx", None)
    where = "pullcoast" if context is None else context.command_path
    return f"{text}{'' if text.endswith('?') else '.'} See `{where} --help`."


def _names(parameter: Any) -> str:
    if isinstance(parameter, TyperArgument):
        return (parameter.metavar or parameter.name or "").strip("[].")
    return "/".join((*parameter.opts, *parameter.secondary_opts))


def _options(command: Any, context: Any) -> dict[str, Any]:
    """Return every option of a command by each of its names."""
    return {
        name: parameter
        for parameter in command.get_params(context)
        if not isinstance(parameter, TyperArgument)
        for name in (*parameter.opts, *parameter.secondary_opts)
    }


def _check_words(command: Any, context: Any, words: Sequence[str]) -> None:
    """Refuse options that a command does not know, ones without a value, and missing arguments."""
    known = _options(command, context)
    given: set[str] = set()
    unknown: list[str] = []
    hints: list[str] = []
    placed: list[str] = []
    waiting = list(reversed(words))
    while waiting:
        word = waiting.pop()
        name, equals, _ = word.partition("=")
        if word == "--":
            placed += reversed(waiting)
            break
        if not word.startswith("-") or word == "-":
            placed.append(word)
        elif name in known:
            given.update(known[name].opts)
            if known[name].is_flag:
                if equals:
                    context.fail(f"argument {name}: takes no value, found {word!r}")
            elif not equals:
                if not waiting or waiting[-1] in known:
                    context.fail(f"argument {name}: expected one argument")
                waiting.pop()
        else:
            unknown.append(word)
            near = get_close_matches(name, list(known), n=1) if name.startswith("--") else []
            hints += near
            if near and not known[near[0]].is_flag and not equals and waiting:
                unknown.append(waiting.pop())
    if given.intersection(context.help_option_names):
        return
    places = [p for p in command.get_params(context) if isinstance(p, TyperArgument)]
    if not any(place.nargs == -1 for place in places):
        unknown += placed[len(places) :]
    if unknown:
        asked = f"; did you mean {' or '.join(dict.fromkeys(hints))}?" if hints else ""
        context.fail(f"unrecognized arguments: {' '.join(unknown)}{asked}")
    missing = [
        _names(parameter)
        for parameter in command.get_params(context)
        if parameter.required
        and not isinstance(parameter, TyperArgument)
        and not given.intersection(parameter.opts)
    ]
    missing += [_names(place) for place in [p for p in places if p.required][len(placed) :]]
    if missing:
        context.fail(f"the following arguments are required: {', '.join(missing)}")


def _write_help(command: Any, context: Any, formatter: Any) -> None:
    """Write usage, description, arguments and options by group, as they stand; no line is refilled."""
    parameters = command.get_params(context)
    pieces = [
        *(f"{name} {p.metavar}" for p in parameters if p.required for name in p.opts[:1] if name[0] == "-"),
        *((p.metavar or "") if p.required else f"[{p.metavar}]" for p in parameters if isinstance(p, TyperArgument)),
    ]  # fmt: skip
    if isinstance(command, TyperGroup):
        pieces.append("COMMAND ...")
    formatter.write(f"usage: {' '.join([context.command_path, '[OPTIONS]', *pieces])}\n")
    formatter.write(f"\n{command.help}\n")
    groups: dict[str, list[tuple[str, str]]] = {}
    for parameter in parameters:
        named = not isinstance(parameter, TyperArgument)
        group = getattr(parameter, "rich_help_panel", None) or ("options" if named else "arguments")
        groups.setdefault(group, []).append(_help_row(parameter))
    first = [name for name in ("arguments", "options") if name in groups]
    for group in dict.fromkeys([*first, *groups]):
        with formatter.section(group):
            formatter.write_dl(groups[group])
    if isinstance(command, LazyCommands):
        with formatter.section("commands"):
            formatter.write_dl([(name, title) for name, (_, title) in command.table.items()])
    formatter.write(f"\n{command.epilog}\n")


def _help_row(parameter: Any) -> tuple[str, str]:
    if isinstance(parameter, TyperArgument):
        return parameter.metavar or "", parameter.help or ""
    names = ", ".join(sorted((*parameter.opts, *parameter.secondary_opts), key=len))
    if not parameter.is_flag:
        names += f" {parameter.metavar}"
    return names, (parameter.help or "") + (" (required)" if parameter.required else "")


class Command(TyperCommand):
    """A command whose help is plain, whose errors are one line, and which can be quiet."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Check the words as a whole first, which names every slip at once."""
        if not ctx.resilient_parsing:
            _check_words(self, ctx, args)
        return super().parse_args(ctx, args)

    def format_help(self, ctx: Any, formatter: Any) -> None:
        """Write the help."""
        _write_help(self, ctx, formatter)

    def invoke(self, ctx: Any) -> Any:
        """Run the command; `--quiet` keeps its output back, but for what `--json` asks."""
        if not ctx.params.get("quiet") or ctx.params.get("as_json"):
            return super().invoke(ctx)
        with open(os.devnull, "w", encoding="utf-8") as nowhere, redirect_stdout(nowhere):
            return super().invoke(ctx)


class LazyCommands(TyperGroup):
    """Commands whose modules are imported one at a time, when their name is given."""

    #: Name of each command to where its application stands ("module:name") and its title.
    table: ClassVar[Mapping[str, tuple[str, str]]] = {}

    def list_commands(self, ctx: Any) -> list[str]:
        """Return the names in the order of the help."""
        return list(self.table)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """Import the module of one command; None where there is no such command."""
        if cmd_name not in self.table:
            return None
        place, title = self.table[cmd_name]
        module, _, name = place.partition(":")
        command = typer.main.get_command(getattr(import_module(module), name))
        command.name, command.short_help = cmd_name, title
        return command

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Check the words before the command, and that there is one."""
        place = next((k for k, word in enumerate(args) if not word.startswith("-")), len(args))
        if not ctx.resilient_parsing:
            _check_words(self, ctx, args[:place])
        rest = super().parse_args(ctx, args)
        if place == len(args) and not ctx.resilient_parsing:
            ctx.fail("the following arguments are required: COMMAND")
        return rest

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """Refuse an unknown command with the nearest one."""
        if args[0] not in self.table and not ctx.resilient_parsing:
            near = get_close_matches(args[0], list(self.table), n=1)
            asked = f", did you mean {near[0]}?" if near else ""
            known = ", ".join(self.table)
            ctx.fail(f"argument COMMAND: invalid choice: {args[0]!r}{asked} (choose from {known})")
        return super().resolve_command(ctx, args)

    def format_help(self, ctx: Any, formatter: Any) -> None:
        """Write the help."""
        _write_help(self, ctx, formatter)
