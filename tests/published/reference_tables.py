"""This module reads the reference files that tests of trends compare with."""

import csv
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

FOLDER = Path(__file__).parents[1] / "published"


def rows(name: str) -> list[dict[str, str]]:
    """Return the rows of a reference file."""
    with (FOLDER / f"{name}.csv").open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def column(name: str, header: str) -> NDArray[np.float64]:
    """Return one column of a reference file as numbers."""
    return np.array([float(row[header]) for row in rows(name)])


def expected(name: str, header: str = "recomputed") -> dict[str, float]:
    """Return the values of an expected file by quantity; blanks are left out."""
    return {row["quantity"]: float(row[header]) for row in rows(name) if row[header]}
