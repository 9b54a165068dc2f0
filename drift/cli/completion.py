"""This module holds the command that teaches a shell to complete commands, meters and signals."""

import click
from click.shell_completion import get_completion_class

from drift.cli.parameters import OneOf

_SHELLS = ("bash", "zsh", "fish")


@click.command()
@click.argument("shell", type=OneOf(_SHELLS))
@click.pass_context
def completion(context: click.Context, shell: str) -> None:
    """Print what SHELL needs to complete commands, options, meters and signals.

    Meters and signals are those of the newest review below the folder of now.

    Example: drift completion bash > ~/.local/share/bash-completion/completions/drift
    """
    maker = get_completion_class(shell)
    if maker is not None:
        click.echo(maker(context.find_root().command, {}, "drift", "_DRIFT_COMPLETE").source())
