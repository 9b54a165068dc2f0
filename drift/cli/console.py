"""This module prints what commands have found, in few lines."""

import json
import shutil
import sys
import textwrap
from collections import Counter
from typing import TYPE_CHECKING, Any

import click

from drift.format import brief, count, percent, share, whole
from drift.visible import visible

if TYPE_CHECKING:
    from collections.abc import Sequence

    import polars as pl

    from drift.api.reviews import Written
    from drift.forecast.proof import Proof
    from drift.store.loading import IntakeSummary

# Where a command's context keeps that it is to print nothing.
_QUIET = "drift.quiet"
_LONGEST_ID = 40
# Files that a terminal summary names.
_LONGEST_LIST = 5
# Lines, or meters with theirs, of one list that a terminal shows.
MOST_TOLD = 40

_IN_EVIDENCE = "evidence.html of a review lists all"
ALL_BY_JSON = "--json tells all"


def keep_quiet() -> None:
    """Let the command of now print nothing by `tell`."""
    click.get_current_context().find_root().meta[_QUIET] = True


def is_quiet() -> bool:
    """Say whether the command of now is to print nothing."""
    context = click.get_current_context(silent=True)
    return context is not None and bool(context.find_root().meta.get(_QUIET))


def tell_record(record: object) -> None:
    """Print a record as JSON, for scripts."""
    tell_as_it_is(json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False, default=str))


def tell_as_it_is(text: str) -> None:
    """Print text whose lines mean something, such as JSON; no terminal breaks them."""
    if not is_quiet():
        click.echo("\n".join(map(visible, text.split("\n"))))


def tell(text: str = "") -> None:
    """Print lines, on a terminal fitted to its width; what cannot be seen is shown as its code."""
    if not is_quiet():
        width = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
        click.echo("\n".join(_fitted(visible(line), width) for line in text.split("\n")))


def _fitted(line: str, width: int | None) -> str:
    """Return a line, broken between words where a terminal is narrower, the rest set in."""
    if width is None or len(line) <= width:
        return line
    blanks = len(line) - len(line.lstrip())
    return textwrap.fill(
        line,
        width,
        subsequent_indent=" " * min(blanks + 2, width // 4),
        break_long_words=False,
        break_on_hyphens=False,
    )


def say_review(written: "Written") -> None:
    """Print the short summary of a review."""
    from drift.review.headline import doubt_first, headline, uses_words  # noqa: PLC0415

    review, policy = written.review, written.review.policy
    meters = review.meters
    _say_input(written)
    if doubt := doubt_first(*review.untaken_readings, most=policy.untaken_readings_share):
        tell(f"First: {doubt}")
    in_use = _in_use(written)
    counts = _counted(in_use, retired=meters.height - len(in_use))
    late = int(meters["overdue"].sum())
    tell(
        f"{count(meters.height, 'meter')} on {written.review.as_of}: {counts}"
        + (f"; {late} overdue" if late else "")
    )
    if since := written.review.since:
        bands = since.prediction
        promised = f"{share(bands.level)} bands" if bands.level is not None else "bands"
        told = (
            f"; {bands.inside} of {count(bands.judged, 'mean')} found since lay in their {promised}"
        )
        tell(f"Since {since.earlier_as_of}: {since.short}{told if bands.judged else ''}")
    tell(headline(review.obligations, as_of=review.as_of))
    if used := uses_words(review.uses, as_of=review.as_of, days=policy.signal_days):
        tell(used)
    _say_actions(in_use, written)
    if written.noted:
        tell(f"Not noted in the journal: {written.noted}")
    tell(f"Pages: {written.index}" if written.index else f"Data: {written.data}")


def _say_input(written: "Written") -> None:
    """Print what became of the rows of the input, and what is not heard of below."""
    from drift.store.tables import (  # noqa: PLC0415
        checked_unread,
        read_otherwise,
        unread_meters,
        unused_files,
    )

    sources, rows = written.review.sources, written.rows
    tell(
        f"{count(rows.taken, 'row')} taken, {whole(rows.held_back)} held back"
        + (f", {whole(rows.known)} already known" if rows.known else "")
        + ("" if sources.held_back.is_empty() else f" (see {written.data / 'held_back.csv'})")
    )
    unused = unused_files(sources)
    for file, why in unused[:_LONGEST_LIST]:
        tell(f"Not used: {one_line(file)}: {why}")
    if more := len(unused[_LONGEST_LIST:]):
        tell(f"Not used: {count(more, 'other file')}")
    for file, how in read_otherwise(sources)[:_LONGEST_LIST]:
        tell(f"{one_line(file)}: {how}")
    amended = _amended(sources.amendments)
    if amended:
        tell(f"{count(len(amended), 'value')} amended by a later row:")
    for line in amended[:_LONGEST_LIST]:
        tell(f"  {line}")
    if more := len(amended[_LONGEST_LIST:]):
        tell(f"  and {count(more, 'other')}; {_IN_EVIDENCE}")
    if sources.journal_broken:
        tell(f"The journal is not as it was written: {visible(sources.journal_broken)}")
    if unread := unread_meters(sources, as_of=written.review.as_of):
        tell(f"In the meters table, in use and never read: {_some_meters(unread)}")
    if checked := [meter_id for meter_id, _, _ in checked_unread(sources)]:
        tell(f"With checks and not one reading: {_some_meters(checked)}")


def _some_meters(names: list[str]) -> str:
    """Return the first of some meters, and how many others there are."""
    named = ", ".join(one_line(meter_id) for meter_id in names[:_LONGEST_LIST])
    more = len(names[_LONGEST_LIST:])
    return f"{named} and {count(more, 'other meter')}" if more else named


def _in_use(written: "Written") -> list[dict[str, Any]]:
    """Return the rows of meters that are not retired."""
    rows = written.review.meters.iter_rows(named=True)
    return [row for row in rows if row["standing"] != "retired"]


def _counted(in_use: list[dict[str, Any]], *, retired: int) -> str:
    """Return how many meters have each standing, the most pressing first."""
    numbers = Counter(row["standing"] for row in in_use)
    named = ("out", "drifting", "watch", "unproven", "holding")
    parts = [f"{numbers[name]} {name}" for name in named if numbers[name]]
    return ", ".join([*parts, f"{retired} retired"] if retired else parts)


def _say_actions(in_use: list[dict[str, Any]], written: "Written") -> None:
    """Print the meters about which something must be done, in order."""
    from drift.review.obligations import PRESSING  # noqa: PLC0415

    urgent = [row for row in in_use if {*PRESSING} & {*row["obligations"].split()}]
    if not urgent:
        return
    tell("Need action, in this order:")
    width = min(max(len(one_line(row["meter_id"])) for row in urgent), _LONGEST_ID)
    for row in urgent[:MOST_TOLD]:
        standing = row["standing"] + (", overdue" if row["overdue"] else "")
        tell(f"  {one_line(row['meter_id']):{width}}  {standing}: {row['reason']}")
        tell(f"  {'':{width}}  → {row['action']}")
    tell_more(len(urgent), f"{written.data / 'meters.csv'} lists all", as_="  ")


def say_intake(summary: "IntakeSummary", *, doubts: list[str]) -> None:
    """Print what became of each file, each row held back, each value amended and what to look up.

    Parameters
    ----------
    summary : IntakeSummary
    doubts : list of str
        Sentences on readings that are in the store and look like slips.
    """
    for row in summary.files.head(MOST_TOLD).iter_rows(named=True):
        table = f" ({row['table_name']})" if row["table_name"] else ""
        counts = [
            f"{row['taken']} taken",
            f"{row['held_back']} held back",
            f"{row['known']} already known",
        ]
        if row["amended"]:
            counts.append(f"{row['amended']} amended")
        note = f"; {row['note']}" if row["note"] else ""
        tell(f"{one_line(row['file'])}{table}: {', '.join(counts)}{note}")
    tell_more(summary.files.height, ALL_BY_JSON)
    say_held_back(summary.held_back, all_in="data/held_back.csv of a review has all")
    say_amended(summary.amendments)
    if summary.carried:
        entries = count(summary.carried, "entry", "entries")
        tell(f"{entries} of the folder's own journal carried over")
    tell_each([visible(doubt) for doubt in doubts], as_="Look at the sheet: ")


def say_amended(amendments: "pl.DataFrame") -> None:
    """Print each amended value."""
    tell_each(
        _amended(amendments.head(MOST_TOLD)),
        as_="amended ",
        of=amendments.height,
        all_in=_IN_EVIDENCE,
    )


def _amended(amendments: "pl.DataFrame") -> list[str]:
    """Return each amended value, what it was and what it is."""
    return [
        f"{row['table_name']} {one_line(row['row_key'])} {row['column']}: "
        f"{one_line(row['old_value'] or 'empty')} → {one_line(row['new_value'] or 'empty')} "
        f"({one_line(row['new_file'])}:{row['new_line']})"
        for row in amendments.iter_rows(named=True)
    ]


def say_held_back(held_back: "pl.DataFrame", *, all_in: str = ALL_BY_JSON) -> None:
    """Print why rows were held back, neighbours held back for one reason on one line."""
    runs: dict[tuple[str, str, str], list[tuple[int, int]]] = {}
    for file, line, column, reason in held_back.iter_rows():
        lines = runs.setdefault((file, column, reason), [])
        if lines and lines[-1][1] + 1 == line:
            lines[-1] = (lines[-1][0], line)
        else:
            lines.append((line, line))
    told = [(file, *run, column, why) for (file, column, why), all_ in runs.items() for run in all_]
    for file, first, last, column, reason in sorted(told)[:MOST_TOLD]:
        lines_told = f"{first}" if first == last else f"{first} to {last}"
        cell = f" {column}:" if column else ""
        tell(f"held back {one_line(file)}:{lines_told}:{cell} {reason}")
    tell_more(len(told), all_in, as_="held back: ")


def one_line(meter_id: str) -> str:
    """Return an id that cannot break the layout of a terminal."""
    text = visible(meter_id)
    return text if len(text) <= _LONGEST_ID else text[: _LONGEST_ID - 1] + "…"


def say_proof(proof: "Proof") -> None:
    """Print how the forecaster did, or that there is too little history to say."""
    from drift.report.figures.findings import foreseen  # noqa: PLC0415

    tell(foreseen(proof))
    if proof.forecasts == 0:
        return
    tell(
        f"Tried on {count(proof.forecasts, 'mean')} that past visits found "
        f"({count(proof.series, 'series', 'series')}, each a meter at a point). Each was forecast "
        f"from the visits before it; {proof.failures} were out of tolerance"
    )
    tell(
        f"The bands should hold {share(proof.band_level)} of them. They held "
        f"{percent(proof.coverage, places=1)} (95 % interval "
        f"{percent(proof.coverage_low, places=1)} to {percent(proof.coverage_high, places=1)}, "
        "if the points of a visit were independent)"
    )
    say_table(
        "By method (brier, the squared error of the forecast chance: smaller is better; ranked "
        "apart, how well bad visits stand out from good ones: 1 is perfect, 0.5 is guessing)",
        proof.scores,
    )
    say_table("What came true, by forecast chance (p)", proof.reliability)
    for flag in proof.flags:
        tell(
            f"If a chance of {share(flag.threshold)} or more flags a meter: "
            f"{flag.caught} of {count(flag.failures, 'failure')} flagged a visit ahead, "
            f"{count(flag.flags - flag.caught, 'false alarm')}"
        )


def say_table(title: str, frame: "pl.DataFrame") -> None:
    """Print a frame under a title: words to the left, numbers to the right, "–" for none."""
    cells = [
        [name.replace("_pct", " %").replace("_", " ") for name in frame.columns],
        *([_cell(value) for value in row] for row in frame.iter_rows()),
    ]
    left = [not kind.is_numeric() for kind in frame.dtypes]
    if sys.stdout.isatty() and not is_quiet():
        _show_table(title, cells, left=left)
        return
    widths = [max(len(row[at]) for row in cells) for at in range(frame.width)]
    tell(f"\n{title}")
    for row in cells:
        tell(
            "  ".join(
                text.ljust(width) if is_word else text.rjust(width)
                for text, width, is_word in zip(row, widths, left, strict=True)
            ).rstrip()
        )


def _show_table(title: str, cells: list[list[str]], *, left: list[bool]) -> None:
    """Draw a table on a terminal, its columns made to fit; in colour unless ``NO_COLOR`` is set."""
    from rich.console import Console  # noqa: PLC0415
    from rich.table import Table  # noqa: PLC0415
    from rich.text import Text  # noqa: PLC0415

    table = Table(box=None, header_style="bold cyan", pad_edge=False)
    for name, is_word in zip(cells[0], left, strict=True):
        table.add_column(Text(name), justify="left" if is_word else "right")
    for row in cells[1:]:
        table.add_row(*map(Text, map(visible, row)))
    console = Console()
    console.print()
    console.print(Text(title))
    console.print(table)


def _cell(value: object) -> str:
    """Return one cell of a table: three significant digits of a number."""
    if value is None:
        return "–"
    if isinstance(value, float):
        return brief(value)
    return str(value).replace("_", " ")


def tell_each(
    sentences: "Sequence[str]", *, as_: str = "", of: int = 0, all_in: str = ALL_BY_JSON
) -> None:
    """Print the first sentences, a line each, with words before, and how many more there are.

    Parameters
    ----------
    sentences : sequence of str
        All, or the first `MOST_TOLD` of `of`.
    as_ : str
        Words before each.
    of : int
        How many there are, where not all are given.
    all_in : str
        What tells all of them.
    """
    for sentence in sentences[:MOST_TOLD]:
        tell(f"{as_}{sentence}")
    tell_more(of or len(sentences), all_in, as_=as_)


def tell_more(of: int, all_in: str, *, as_: str = "") -> None:
    """Print how many of a list were not told, and what tells all of them."""
    if of > MOST_TOLD:
        tell(f"{as_}and {whole(of - MOST_TOLD)} more; {all_in}")
