"""This module writes and reads layout.toml: how records are read, in words that can be edited."""

import json
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from drift.errors import SourceError
from drift.intake.layouts.answers import (
    ANSWER_KEYS,
    FAMILIES,
    Answers,
    flattened,
    is_key,
    normal_key,
)
from drift.intake.layouts.proposal import Proposal
from drift.intake.layouts.signatures import Signature, phrase_of, signature_of, title_of
from drift.intake.layouts.tables import Table
from drift.intake.layouts.words import folded_words
from drift.places import check_place

LAYOUT_FILE = "layout.toml"
_VERSION = 1
# Answers that hold for one import only.
_ONCE = frozenset({"amended_by", "amended_why"})
_EXPECTED = "a file that drift import wrote, perhaps edited"
_HEAD = (
    "# How these records are read.  Change what is wrong and import again.",
    "# A line that begins with # is a remark.  Answers may also be given as --set KEY=VALUE.",
)


@dataclass(frozen=True, slots=True)
class Layout:
    """What a layout file declares.

    Attributes
    ----------
    answers : dict of str to str
        Answers by normal key.
    tables : dict of Signature to dict of str to str
        What each column of the tables known holds, by folded title.
    accepted : bool
        Whether a history was written by it.
    """

    answers: dict[str, str] = field(default_factory=dict)
    tables: dict[Signature, dict[str, str]] = field(default_factory=dict)
    accepted: bool = False


def layout_text(proposal: Proposal, answers: Answers, *, accepted: bool) -> str:
    """Return the text of a layout file."""
    lines = [
        *_HEAD,
        "",
        f"version = {_VERSION}",
        f"accepted = {'true' if accepted else 'false'}",
        "",
    ]
    lines += _question_lines(proposal)
    lines += _answer_lines(answers.given)
    lines += _sheet_lines(proposal)
    lines += _date_lines(proposal)
    by_signature: dict[Signature, list[Table]] = {}
    for table in proposal.tables:
        by_signature.setdefault(signature_of(table), []).append(table)
    for signature, tables in by_signature.items():
        lines += _table_lines(signature, tables)
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """Return a text as TOML writes it."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _question_lines(proposal: Proposal) -> list[str]:
    """Return what is still asked, as remarks with the answers there are."""
    lines = ["# Still asked:"] if proposal.questions else []
    for question in proposal.questions:
        lines.append(
            f"#   {_one_line(question.asks)} ({_one_line(question.place)}; cells waiting: "
            f"{question.cells})"
        )
        lines += [
            f"#     {question.key} = {_quoted(choice.split(':')[0])}   # {_one_line(choice)}"
            for choice in question.choices
        ]
    return [*lines, ""] if lines else []


def _one_line(text: str) -> str:
    """Return a text that cannot end a remark."""
    return " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())


def _answer_lines(given: Mapping[str, str]) -> list[str]:
    """Return the answers, one a line, with what each key means."""
    lines = ["[answers]", "# Any of:"]
    lines += [f"#   {key}: {meaning}" for key, meaning in ANSWER_KEYS.items()]
    lines += [f"#   {family}.NAME: {meaning}" for family, meaning in FAMILIES.items()]
    lines += [
        f"{_quoted(key)} = {_quoted(value)}"
        for key, value in sorted(given.items())
        if key not in _ONCE
    ]
    return [*lines, ""]


def _sheet_lines(proposal: Proposal) -> list[str]:
    """Return the sheets passed over, as remarks."""
    lines = []
    for number, why in proposal.passed.items():
        lines.append(f"# passed over: {_one_line(proposal.sheets[number].title)}: {_one_line(why)}")
    hidden = [
        sheet
        for number, sheet in enumerate(proposal.sheets)
        if sheet.hidden and number not in proposal.passed
    ]
    lines += [
        f"# hidden in the workbook and read all the same: {_one_line(sheet.title)}"
        for sheet in hidden
    ]
    return [*lines, ""] if lines else []


def _date_lines(proposal: Proposal) -> list[str]:
    """Return how dates of figures alone are read, as remarks."""
    if proposal.dating is None:
        return []
    lines = [
        f"# dates, {_one_line(file)}, {form} digits: {order or 'not all of one order'} "
        f"({count} dates)".replace("figures with , year in two digits", "")
        for file, form, order, count in proposal.dating.told()
    ]
    return [*lines, ""] if lines else []


def _table_lines(signature: Signature, tables: list[Table]) -> list[str]:
    """Return one layout of tables: where it was found, and what its columns hold."""
    places = list(dict.fromkeys(_one_line(table.sheet.title) for table in tables))
    first = tables[0]
    lines = ["[[tables]]"]
    lines += [
        f"# {'read along columns in' if first.turned else 'on'} {place}" for place in places[:6]
    ]
    if len(places) > 6:
        lines.append(f"# and on {len(places) - 6} more")
    lines.append(f"header = [{', '.join(map(_quoted, signature))}]")
    lines.append("[tables.columns]")
    seen: set[str] = set()
    for column in first.columns:
        title = title_of(column)
        if not title or title in seen:
            continue
        seen.add(title)
        why = f"   # {_one_line(column.why)}" if column.why else ""
        lines.append(f"{_quoted(title)} = {_quoted(phrase_of(column))}{why}")
    return [*lines, ""]


def read_layout(path: Path) -> Layout:
    """Read a layout file.

    Raises
    ------
    SourceError
        If it is not TOML, or declares something that cannot be meant.
    """
    check_place(path, raised=SourceError, expected=_EXPECTED)
    try:
        given = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise SourceError(
            what=f"cannot be read ({error.strerror})", where=str(path), expected=_EXPECTED
        ) from error
    except (ValueError, RecursionError) as error:
        raise SourceError(
            what=f"is not TOML ({error})", where=str(path), expected=_EXPECTED
        ) from error
    unknown = set(given) - {"version", "accepted", "answers", "tables"}
    if unknown or given.get("version", _VERSION) != _VERSION:
        raise SourceError(
            what=f"unknown key {min(unknown)!r}" if unknown else "is of another version",
            where=str(path),
            expected="version = 1, [answers] and [[tables]]",
        )
    answers = checked_answers(flattened(_section(given, "answers", path)), where=str(path))
    return Layout(answers, _tables(given.get("tables", []), path), given.get("accepted") is True)


def _section(given: Mapping[str, object], name: str, path: Path) -> Mapping[str, object]:
    """Return a section of the file."""
    section = given.get(name, {})
    if not isinstance(section, dict):
        raise SourceError(what=f"[{name}] is no section", where=str(path), expected=_EXPECTED)
    return section


def _tables(given: object, path: Path) -> dict[Signature, dict[str, str]]:
    """Return the tables known, by their headers."""
    tables: dict[Signature, dict[str, str]] = {}
    for table in given if isinstance(given, list) else [given]:
        header = table.get("header") if isinstance(table, dict) else None
        columns = table.get("columns") if isinstance(table, dict) else None
        if not isinstance(header, list) or not isinstance(columns, dict):
            raise SourceError(
                what="[[tables]] lacks header or columns", where=str(path), expected=_EXPECTED
            )
        tables[tuple(map(str, header))] = {
            folded_words(str(name)): str(text) for name, text in columns.items()
        }
    return tables


def checked_answers(given: Mapping[str, str], *, where: str) -> dict[str, str]:
    """Return answers by normal key.

    Raises
    ------
    SourceError
        If a key means nothing.
    """
    answers: dict[str, str] = {}
    for key, value in given.items():
        plain = normal_key(key)
        if not is_key(plain):
            raise SourceError(
                what=f"{key!r} answers nothing",
                where=where,
                expected="one of "
                + ", ".join([*ANSWER_KEYS, *(f"{name}.NAME" for name in FAMILIES)]),
            )
        answers[plain] = value.strip()
    return answers
