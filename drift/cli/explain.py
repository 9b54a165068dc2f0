"""This module shows Markdown on a terminal."""

import sys

from drift.cli.console import is_quiet, tell

_WIDEST = 100


def tell_markdown(text: str) -> None:
    """Print Markdown: laid out and coloured on a terminal, as it is where output is piped.

    Colour is left out where the environment holds ``NO_COLOR``.
    """
    if not sys.stdout.isatty() or is_quiet():
        tell(text)
        return
    from rich.console import Console  # noqa: PLC0415
    from rich.markdown import Markdown  # noqa: PLC0415

    console = Console()
    console.print(Markdown(text), width=min(_WIDEST, console.width))
