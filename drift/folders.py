"""This module says where queries/ and reports/ are, installed or in a checkout; it reads text."""

from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path


def root(name: str) -> Traversable:
    """Return the folder `name`: inside the installed package, else beside it in a checkout."""
    checkout = Path(__file__).resolve().parents[1] / name
    return checkout if checkout.is_dir() else files("drift") / name


def sql(name: str) -> str:
    """Return the text of ``queries/<name>.sql``."""
    return (root("queries") / f"{name}.sql").read_text(encoding="utf-8")


def report(name: str) -> str:
    """Return the text of ``reports/<name>``."""
    return (root("reports") / name).read_text(encoding="utf-8")


def cautions() -> list[str]:
    """Return the cautions that whatever leaves the program carries, one a line."""
    return report("cautions.txt").splitlines()
