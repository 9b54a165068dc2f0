"""This module makes folders of CSV files that are wrong in many ways; it asserts nothing."""

import os
import random
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from drift.intake.columns import TABLES
from tests.fuzz_choices import some_mapping

IDS = ("AM-1", "AM-2", "Prüfer 3", "Ø-4", "=1+1", "-7", "ID;9", "\x1b[2J", "a" * 80, "测试", "007")
REMARKS = ("", "fine", "Ünal, twice", 'a 5" bowl', "x;=2", "two\nlines", "𝛑", "1,5", "@home")
STEMS = ("readings", "r[1]", "r*", "a?b", "x=1", "{a,b}", "é", "it's", "r 1", "~", "%41", "a.csv")
FOLDERS = ("lab", "gg[13]", "x=1", "lab*", "Ünï", "a b", "~", "meter_id=AM-1", "[!a]")
ODD_DATES = (
    "31/01/2024",
    "2024-02-30",
    "24-01-05",
    "2024-1-5",
    "05.01.24",
    "",
    "1.5",
    "9999-01-01",
)
ODD_NUMBERS = ("5,1", "x", "1e400", "−5", "5.0000000001", "0x10", "nan", "5 %", "1 000", "", "99")
LAYOUTS = ("%d/%m/%Y", "%d.%m.%y", "%Y-%d-%m", "%d %b %Y", "%m", "%", "%Y%m%d %", "%-d/%-m/%Y")


@dataclass(frozen=True, slots=True)
class Case:
    """A folder that was written, and what was done to it for whoever looks into a failure."""

    folder: Path
    done: tuple[str, ...]


def write_case(place: Path, *, seed: int) -> Case:
    """Write a folder of one to three files, most of them damaged, with decoys beside them."""
    chance = random.Random(seed)  # noqa: S311 (a seeded fuzzer)
    folder = place / chance.choice(FOLDERS)
    folder.mkdir()
    done: list[str] = [folder.name]
    cells: list[list[str]] = []
    for number in range(chance.randint(1, 3)):
        table = "readings" if number == 0 else chance.choice(list(TABLES))
        if number == 0 or chance.random() < 0.6:
            cells = _table(chance, table)
        else:
            cells = [list(row) for row in cells]
        for change in chance.sample(_CELL_CHANGES, chance.choice([0, 0, 1, 2])):
            change(chance, cells)
            done.append(change.__name__)
        text = _text(chance, cells, done)
        content = _encoded(chance, text, done)
        for harm in chance.sample(_BYTE_CHANGES, chance.choice([0, 0, 0, 1, 2])):
            content = harm(chance, content)
            done.append(harm.__name__)
        name = chance.choice(STEMS) + str(number) + ".csv"
        (folder / name).write_bytes(content)
        done.append(name)
    _decoys(folder)
    _further(chance, folder, done)
    return Case(folder=folder, done=tuple(done))


def _table(chance: random.Random, table: str) -> list[list[str]]:
    """Return a header and rows that can be used, as cells."""
    columns = [column for column in TABLES[table] if column.required or chance.random() < 0.5]
    rows = [[column.name for column in columns]]
    for number in range(chance.choice([0, 1, 3, 12, 40])):
        row = []
        for column in columns:
            if column.choices:
                cell = chance.choice(column.choices)
            elif column.kind == "date":
                cell = f"20{chance.randint(10, 25)}-{chance.randint(1, 12):02}-{number % 28 + 1:02}"
            elif column.kind == "answer":
                cell = chance.choice(["yes", "no", "0.05", "1.250", "-3"])
            elif column.kind == "whole":
                cell = str(chance.randint(1, 90))
            elif column.kind == "number":
                cell = f"{chance.uniform(max(column.low or 0, 0), min(column.high or 9, 9)):.3f}"
            elif column.name.endswith("_id"):
                cell = chance.choice(IDS)
            else:
                cell = chance.choice(REMARKS) or ("x" if column.required else "")
            row.append(cell)
        rows.append(row)
    return rows


def _odd_cells(chance: random.Random, cells: list[list[str]]) -> None:
    """Put dates and numbers that cannot be read in some cells."""
    for row in cells[1:]:
        if row and chance.random() < 0.3:
            row[chance.randrange(len(row))] = chance.choice(ODD_DATES + ODD_NUMBERS)


def _ragged(chance: random.Random, cells: list[list[str]]) -> None:
    """Let some rows have a cell more or fewer."""
    for row in cells[1:]:
        if row and chance.random() < 0.2:
            row.pop() if chance.random() < 0.5 else row.append("more")


def _header(chance: random.Random, cells: list[list[str]]) -> None:
    """Write a header otherwise: in capitals, a column renamed, twice, or left out."""
    head = cells[0]
    at = chance.randrange(len(head))
    how = chance.choice(["capitals", "renamed", "twice", "gone", "title"])
    if how == "capitals":
        head[:] = [name.upper() for name in head]
    elif how == "renamed":
        head[at] = "Meter no."
    elif how == "twice":
        head[at] = head[0]
    elif how == "gone":
        for row in cells:
            del row[at : at + 1]
    else:
        cells.insert(0, ["List of the laboratory"] + [""] * (len(head) - 1))


def _repeated(chance: random.Random, cells: list[list[str]]) -> None:
    """Repeat rows, some with another value."""
    for row in list(cells[1:4]):
        again = list(row)
        if again and chance.random() < 0.5:
            again[-1] = "5.05"
        cells.append(again)


_CELL_CHANGES: list[Callable[[random.Random, list[list[str]]], None]] = [
    _odd_cells,
    _ragged,
    _header,
    _repeated,
]


def _text(chance: random.Random, cells: list[list[str]], done: list[str]) -> str:
    """Return cells as the text of a file in some dialect."""
    mark = chance.choice([",", ",", ",", ";", "\t"])
    end = chance.choice(["\n", "\n", "\r\n", "\r"])
    quote_all = chance.random() < 0.2
    done.append(f"{mark!r} {end!r}")

    def spelled(cell: str) -> str:
        if quote_all or any(sign in cell for sign in (mark, '"', "\n", "\r")):
            return '"' + cell.replace('"', '""') + '"'
        return cell

    lines = [mark.join(map(spelled, row)) for row in cells]
    return end.join(lines) + (end if chance.random() < 0.8 else "")


def _encoded(chance: random.Random, text: str, done: list[str]) -> bytes:
    """Return a text in some encoding."""
    encoding = chance.choice(["utf-8"] * 5 + ["utf-8-sig", "utf-16", "utf-16-le", "cp1252"])
    done.append(encoding)
    return text.encode(encoding, "replace")


def _flipped(chance: random.Random, content: bytes) -> bytes:
    """Turn some bits."""
    data = bytearray(content)
    for _ in range(chance.randint(1, 6)):
        if data:
            data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
    return bytes(data)


def _cut(chance: random.Random, content: bytes) -> bytes:
    """Cut the end off."""
    return content[: chance.randrange(len(content) + 1)]


def _inserted(chance: random.Random, content: bytes) -> bytes:
    """Put something in between."""
    at = chance.randrange(len(content) + 1)
    what = chance.choice([b'"', b"\0", b"\xff", b"\xe9", b"\r", b"\n\n", b",,,\n", b"\xef\xbb\xbf"])
    return content[:at] + what + content[at:]


def _doubled(_chance: random.Random, content: bytes) -> bytes:
    """Let a file come twice in itself."""
    return content + content


_BYTE_CHANGES: list[Callable[[random.Random, bytes], bytes]] = [_flipped, _cut, _inserted, _doubled]


def _decoys(folder: Path) -> None:
    """Write, beside the folder, what a path that is taken for a pattern would match instead."""
    head = "meter_id,performed_on,stage,correct_air_pct,reading_air_pct\n"
    for name in ("gg1", "labx", "a"):
        decoy = folder.parent / name
        decoy.mkdir(exist_ok=True)
        (decoy / "readings0.csv").write_text(head + "DECOY,2024-01-05,as_found,5,5\n")


def _further(chance: random.Random, folder: Path, done: list[str]) -> None:
    """Write a mapping file at times, and at times something that is no file to be read."""
    how = chance.random()
    if how < 0.10:
        layout = chance.choice(LAYOUTS)
        text = f'[dates]\nformat = "{layout}"\n[columns]\n"Meter no." = "meter_id"\n'
        (folder / "mapping.toml").write_bytes(
            chance.choice([text.encode()] * 4 + [text.encode("utf-16"), text[:20].encode()])
        )
        done.append(f"mapping {layout}")
    elif how < 0.12:
        odd = chance.choice([b"r\xff.csv", b"a\nb.csv", b"\x1b[31m.csv"])
        Path(os.fsdecode(bytes(folder) + b"/" + odd)).write_bytes(b"meter_id,site\nA,x\n")
        done.append(repr(odd))
    elif how < 0.13:
        (folder / "link.csv").symlink_to(folder / "nowhere.csv")
        done.append("link")
    elif how < 0.14:
        os.mkfifo(folder / "pipe.csv")
        done.append("pipe")
    elif how < 0.20:
        mapping = some_mapping(chance)
        (folder / "mapping.toml").write_bytes(mapping)
        done.append(f"mapping {mapping[:80]!r}")
