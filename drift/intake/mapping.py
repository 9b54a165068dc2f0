"""This module reads what a laboratory declares of its files in mapping.toml."""

import hashlib
import re
import tomllib
from collections.abc import Mapping as Map
from dataclasses import dataclass, field
from pathlib import Path

from drift.errors import SourceError
from drift.ids import did_you_mean
from drift.intake.columns import TABLES
from drift.places import check_place

MAPPING_FILE = "mapping.toml"
_SECTIONS = ("dates", "columns")
# Codes that a layout needs so that year, month and day are all told.
_LAYOUT_NEEDS = (("%Y", "%y"), ("%m", "%b", "%B", "%-m"), ("%d", "%-d"))
_LAYOUT_CODES = frozenset("YymbBdHMSpIajAf%") | {"-m", "-d", "-H", "-M", "-S", "-I"}
_LAYOUT_PART = re.compile(r"%(-?[A-Za-z%])|[^%]")
_LINES = 'lines such as "Meter no." = "meter_id" under [columns]'


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
        If it cannot be read, is not TOML, or declares something that cannot be meant.
    """
    path = folder / MAPPING_FILE
    check_place(path, raised=SourceError, expected=f"a file with {_LINES}")
    try:
        content = path.read_bytes()
        given = tomllib.loads(content.decode("utf-8-sig"))
    except FileNotFoundError:
        return Mapping()
    except OSError as error:
        raise SourceError(
            what=f"cannot be read ({error.strerror})", where=str(path), expected="a readable file"
        ) from error
    except (ValueError, RecursionError) as error:
        raise SourceError(
            what=f"is not TOML ({error})", where=str(path), expected=_LINES
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
    parts = list(_LAYOUT_PART.finditer(layout))
    codes = [f"%{part[1]}" for part in parts if part[1]]
    once = all(sum(code in choice for code in codes) == 1 for choice in _LAYOUT_NEEDS)
    known = all(code[1:] in _LAYOUT_CODES for code in codes)
    whole = "".join(part[0] for part in parts) == layout
    if not (once and known and whole and layout.isprintable()):
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
            raise SourceError(
                what=f"[columns] {header!r} = {name!r} is no column of an input table",
                where=str(path),
                expected="a column such as meter_id",
                hint=did_you_mean(str(name), known),
            )
    declared: dict[str, str] = {}
    for header, name in columns.items():
        if declared.setdefault(folded(header), str(name)) != name:
            raise SourceError(
                what=f"[columns] {header!r} stands for two columns",
                where=str(path),
                expected="each header once, in capitals or not",
            )
    return declared
