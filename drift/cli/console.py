"""This module prints what commands have found, in few lines."""

import json
import shutil
import sys
import textwrap
from collections import Counter
from typing import TYPE_CHECKING, Any

import click

from drift.format import brief, count, day, percent, plain, point, share, whole
from drift.visible import visible

if TYPE_CHECKING:
    from collections.abc import Iterable

    import polars as pl

    from drift.api.bench import Checked
    from drift.api.reviews import Written
    from drift.api.sheets import Sheets
    from drift.forecast.proof import Proof
    from drift.store.loading import IntakeSummary

# Where a command's context keeps that it is to print nothing.
_QUIET = "drift.quiet"
_LONGEST_ID = 40
# Files that a terminal summary names.
_LONGEST_LIST = 5
# Readings to look up that an intake names.
_MOST_DOUBTS = 20

_VERDICTS = {
    "believable": "believable",
    "surprising": "surprising",
    "likely_slip": "likely slip",
    "cannot_say": "cannot say",
}
_OUT = "out of tolerance"
_CALLS = (_OUT, "likely slip", "surprising", "believable", "cannot say")


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
        click.echo("\n".join(_fitted(visible(line)) for line in text.split("\n")))


def _fitted(line: str) -> str:
    """Return a line, broken between words where a terminal is narrower, the rest set in."""
    width = shutil.get_terminal_size().columns
    if not sys.stdout.isatty() or len(line) <= width:
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
    _say_actions(in_use)
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
        tell(f"  and {count(more, 'other')}; evidence.html and drift intake list them")
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


def _say_actions(in_use: list[dict[str, Any]]) -> None:
    """Print the meters about which something must be done, in order."""
    from drift.review.obligations import PRESSING  # noqa: PLC0415

    urgent = [row for row in in_use if {*PRESSING} & {*row["obligations"].split()}]
    if not urgent:
        return
    tell("Need action, in this order:")
    width = min(max(len(one_line(row["meter_id"])) for row in urgent), _LONGEST_ID)
    for row in urgent:
        standing = row["standing"] + (", overdue" if row["overdue"] else "")
        tell(f"  {one_line(row['meter_id']):{width}}  {standing}: {row['reason']}")
        tell(f"  {'':{width}}  → {row['action']}")


def say_intake(summary: "IntakeSummary", *, doubts: list[str]) -> None:
    """Print what became of each file, each row held back, each value amended and what to look up.

    Parameters
    ----------
    summary : IntakeSummary
    doubts : list of str
        Sentences on readings that are in the store and look like slips.
    """
    for row in summary.files.iter_rows(named=True):
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
    say_held_back(summary.held_back)
    say_amended(summary.amendments)
    if summary.carried:
        entries = count(summary.carried, "entry", "entries")
        tell(f"{entries} of the folder's own journal carried over")
    for doubt in doubts[:_MOST_DOUBTS]:
        tell(f"Look at the sheet: {visible(doubt)}")
    if more := len(doubts[_MOST_DOUBTS:]):
        tell(f"Look at the sheet: {count(more, 'other sitting')} like these")


def say_amended(amendments: "pl.DataFrame") -> None:
    """Print each amended value."""
    for line in _amended(amendments):
        tell(f"amended {line}")


def _amended(amendments: "pl.DataFrame") -> list[str]:
    """Return each amended value, what it was and what it is."""
    return [
        f"{row['table_name']} {one_line(row['row_key'])} {row['column']}: "
        f"{one_line(row['old_value'] or 'empty')} → {one_line(row['new_value'] or 'empty')} "
        f"({one_line(row['new_file'])}:{row['new_line']})"
        for row in amendments.iter_rows(named=True)
    ]


def say_held_back(held_back: "pl.DataFrame") -> None:
    """Print why rows were held back, neighbours held back for one reason on one line."""
    runs: dict[tuple[str, str, str], list[tuple[int, int]]] = {}
    for file, line, column, reason in held_back.iter_rows():
        lines = runs.setdefault((file, column, reason), [])
        if lines and lines[-1][1] + 1 == line:
            lines[-1] = (lines[-1][0], line)
        else:
            lines.append((line, line))
    told = [(file, *run, column, why) for (file, column, why), all_ in runs.items() for run in all_]
    for file, first, last, column, reason in sorted(told):
        lines_told = f"{first}" if first == last else f"{first} to {last}"
        cell = f" {column}:" if column else ""
        tell(f"held back {one_line(file)}:{lines_told}:{cell} {reason}")


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
        f"Tried on {count(proof.forecasts, 'mean')} that past visits found, each forecast from the "
        f"visits before ({proof.series} meters and points); {proof.failures} were out of tolerance"
    )
    tell(
        f"The bands promise to hold {percent(proof.band_level, places=0)} of such means and held "
        f"{percent(proof.coverage, places=1)} ({percent(proof.coverage_low, places=1)} to "
        f"{percent(proof.coverage_high, places=1)}, 95 % interval if points were independent)"
    )
    say_table(
        "By method (Brier score: smaller is better; ranked apart: 1 is perfect)", proof.scores
    )
    say_table("By band of forecast probability", proof.reliability)
    for flag in proof.flags:
        tell(
            f"If a meter is flagged from a chance of {share(flag.threshold)} on: "
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


def say_check(found: "Checked") -> None:
    """Print the verdicts, the count, what is half done, each sitting, then the rows held back."""
    say_verdicts(found.verdicts)
    rows = found.rows.to_dicts()
    counts = Counter(_call(row) for row in rows)
    counted = [f"{counts[name]} {name}" for name in _CALLS if name in counts]
    tell(f"{count(len(rows), 'sitting')}: {', '.join(counted) or 'nothing to compare'}")
    tell_each(found.half_done, as_="Half done: ")
    for (meter_id, on), visit in found.rows.group_by(
        ["meter_id", "performed_on"], maintain_order=True
    ):
        tell(f"{visible(str(meter_id))}, {day(on)}")
        for row in visit.iter_rows(named=True):
            read = ", ".join(plain(value) for value in row["readings_pct"])
            stage = row["stage"].replace("_", " ")
            tell(f"  {point(row['point_pct'])} {stage}: {read}: {_calls(row)}")
            tell(f"    {row['sentence']}")
            tell(f"    Two successive readings: {row['rule']}")
        for told in found.advice:
            if (told["meter_id"], told["performed_on"]) == (meter_id, on):
                tell(f"  At the bench: {told['sentence']}")
    say_held_back(found.held_back)


def say_verdicts(verdicts: "list[dict[str, Any]]") -> None:
    """Print what fresh readings ask for, the gravest first, and which visits pass."""
    for told in verdicts:
        tell(f"{visible(told['meter_id'])}, {day(told['performed_on'])}: {told['sentence']}")


def tell_each(sentences: "Iterable[str]", *, as_: str = "") -> None:
    """Print sentences, a line each, with words before."""
    for sentence in sentences:
        tell(f"{as_}{sentence}")


def _call(row: dict[str, Any]) -> str:
    """Return the one word that a sitting is counted under."""
    slip = row["verdict"] == "likely_slip"
    return _OUT if row["tolerance"] != "within" and not slip else _VERDICTS[row["verdict"]]


def _calls(row: dict[str, Any]) -> str:
    """Return the verdicts on a sitting, tolerance first and in capitals where it asks for work."""
    believed = _VERDICTS[row["verdict"]]
    if row["verdict"] != "believable":
        believed = believed if row["verdict"] == "cannot_say" else believed.upper()
    if _call(row) != _OUT:
        return believed
    once = "" if row["tolerance"] == "out_confirmed" else ", not confirmed"
    return f"{_OUT.upper()}{once}; {believed}"


def say_sheets(made: "Sheets") -> None:
    """Print which meters are due and where their sheets are."""
    tell(f"{count(len(made.meters), 'meter')} due by {day(made.due_by)}")
    for meter_id in made.meters:
        why = made.occasions.get(meter_id, "")
        tell(f"  {visible(meter_id)}{f': {why}' if why else ''}")
    tell(f"Pages: {made.page}; {count(made.files, 'file')} to fill in beside it")
    tell(f"The same as one workbook: {made.book}")
    tell(f"For a tablet or phone at the bench: {made.bench}")
