"""This module reads what a laboratory declares of its files in mapping.toml; it guesses nothing."""

import difflib
import hashlib
import re
import tomllib
from collections.abc import Mapping as Map
from dataclasses import dataclass, field
from pathlib import Path

from drift.columns import TABLES
from drift.errors import SourceError

FILE_NAME = "mapping.toml"
_SECTIONS = ("dates", "columns")
# Codes that a layout needs so that year, month and day are all told.
_LAYOUT_NEEDS = (("%Y", "%y"), ("%m", "%b", "%B", "%-m"), ("%d", "%-d"))
_LAYOUT_CODES = frozenset("YymbBdHMSpIajAf") | {"-m", "-d", "-H", "-M", "-S", "-I"}


@dataclass(frozen=True, slots=True)
class Mapping:
    """What ``mapping.toml`` declares.

    Attributes
    ----------
    date_format : str or None
        Layout of dates in strptime codes; None for ISO 8601 alone.
    columns : mapping of str to str
        Header as written, case folded and trimmed, to the column it stands for.
    sha256 : str
        Of the file; empty where there is none.
    """

    date_format: str | None = None
    columns: Map[str, str] = field(default_factory=dict)
    sha256: str = ""


def folded(header: str) -> str:
    """Return a header as it is compared: trimmed, case folded."""
    return header.strip().casefold()


def read_mapping(folder: Path) -> Mapping:
    """Read the mapping file of a folder, if there is one.

    Raises
    ------
    SourceError
        If it is not TOML, or declares something that cannot be meant.
    """
    path = folder / FILE_NAME
    if not path.is_file():
        return Mapping()
    content = path.read_bytes()
    try:
        given = tomllib.loads(content.decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SourceError(
            what=f"is not TOML ({error})",
            where=str(path),
            expected='lines such as "Meter no." = "meter_id" under [columns]',
        ) from error
    for section in given:
        if section not in _SECTIONS or not isinstance(given[section], dict):
            raise SourceError(
                what=f"unknown section or key {section!r}",
                where=str(path),
                expected="the sections [dates] and [columns]",
            )
    return Mapping(
        date_format=_date_format(path, given.get("dates", {})),
        columns=_columns(path, given.get("columns", {})),
        sha256=hashlib.sha256(content).hexdigest(),
    )


def _date_format(path: Path, dates: dict[str, object]) -> str | None:
    """Return the declared layout of dates, or raise if it cannot tell a date."""
    if not dates:
        return None
    layout = dates.get("format")
    if set(dates) != {"format"} or not isinstance(layout, str):
        raise SourceError(
            what="[dates] holds something other than a format",
            where=str(path),
            expected='one line such as format = "%d/%m/%Y"',
        )
    codes = set(re.findall(r"%(-?[A-Za-z])", layout))
    complete = all(any(code in layout for code in choice) for choice in _LAYOUT_NEEDS)
    if not complete or not codes <= _LAYOUT_CODES:
        raise SourceError(
            what=f"[dates] format = {layout!r} does not tell a day",
            where=str(path),
            expected='year, month and day, such as "%d/%m/%Y" or "%d %b %y"',
        )
    return layout


def _columns(path: Path, columns: dict[str, object]) -> dict[str, str]:
    """Return the declared headers, or raise if one stands for no column."""
    known = sorted({column.name for table in TABLES.values() for column in table})
    for header, name in columns.items():
        if name not in known:
            near = difflib.get_close_matches(str(name), known, n=1)
            raise SourceError(
                what=f"[columns] {header!r} = {name!r} is no column of an input table",
                where=str(path),
                expected="a column such as meter_id",
                hint=f"did you mean {near[0]!r}?" if near else "",
            )
    return {folded(header): str(name) for header, name in columns.items()}
