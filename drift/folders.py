"""This module reads the texts of queries/ and reports/, installed or in a checkout."""

import re
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path


def root(name: str) -> Traversable:
    """Return the folder `name`: inside the installed package, else beside it in a checkout."""
    checkout = Path(__file__).resolve().parents[1] / name
    return checkout if checkout.is_dir() else files("drift") / name


@cache
def queries() -> dict[str, str]:
    """Return the texts of all queries by their names.

    A line ``-- statement: name`` begins one; a file without such a line is one of its own name.
    """
    texts: dict[str, str] = {}
    for entry in sorted(root("queries").iterdir(), key=lambda entry: entry.name):
        family, _, kind = entry.name.rpartition(".")
        if kind != "sql":
            continue
        first, *rest = re.split(
            r"^-- statement: (\w+)\n", entry.read_text(encoding="utf-8"), flags=re.MULTILINE
        )
        found = dict(zip(rest[::2], rest[1::2], strict=True))
        if first:
            found[family] = first
        if twice := found.keys() & texts.keys():
            raise ValueError(f"two queries are named {min(twice)}")
        texts |= found
    return texts


def sql(name: str) -> str:
    """Return the text of the query `name`."""
    return queries()[name]


def report(name: str) -> str:
    """Return the text of ``reports/<name>``."""
    return (root("reports") / name).read_text(encoding="utf-8")


def cautions() -> list[str]:
    """Return the cautions that whatever leaves the program carries, one a line."""
    return report("cautions.txt").splitlines()
