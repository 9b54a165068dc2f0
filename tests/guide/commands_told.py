"""This module tells every command and its options in Markdown, for the reference.

``python -m tests.guide.commands_told`` writes it anew.
"""

import inspect
import re

import click

from drift.cli import commands
from drift.guide.texts import COMMANDS


def commands_told(group: click.Group) -> str:
    """Return what every command does, its arguments and its options.

    Parameters
    ----------
    group : click.Group
        The program's commands, in the order in which they are told.
    """
    return "\n\n".join(_command_told(name, one) for name, one in group.commands.items())


def _command_told(name: str, command: click.Command) -> str:
    """Tell one command."""
    context = click.Context(command, info_name=f"drift {name}")
    usage = " ".join([f"drift {name}", *command.collect_usage_pieces(context)])
    parts = [f"## drift {name}", f"`{usage}`", _as_paragraphs(command.help or "")]
    options = [_option_row(one) for one in command.params if isinstance(one, click.Option)]
    if options:
        parts.append("\n".join(["| option | meaning |", "| --- | --- |", *options]))
    return "\n\n".join(parts)


def _as_paragraphs(text: str) -> str:
    """Return a help text with its paragraphs on a line each, examples as code."""
    paragraphs = re.split(r"\n\s*\n", inspect.cleandoc(text.replace("\b", "")))
    plain = (" ".join(one.split()) for one in paragraphs)
    return "\n\n".join(re.sub(r"^Example: (.*)$", r"Example: `\1`", one) for one in plain)


def _option_row(option: click.Option) -> str:
    """Return one option as a row of a table."""
    takes = "" if option.is_flag else f" {option.metavar or option.type.name.upper()}"
    names = ", ".join(f"`{name}{takes}`" for name in option.opts)
    required = " (must be given)" if option.required else ""
    return f"| {names} | {option.help or ''}{required} |".replace("\n", " ")


if __name__ == "__main__":
    COMMANDS.write_text(commands_told(commands) + "\n", encoding="utf-8")
