"""This module prints lines that no value in them can break or turn into orders to a terminal."""

import click

from drift.visible import visible


def tell(text: str = "") -> None:
    """Print lines; signs that cannot be seen are shown as their codes."""
    click.echo("\n".join(map(visible, text.split("\n"))))
