"""This module holds the commands that read a source of histories."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from drift.cli.bench_told import say_verdicts
from drift.cli.console import (
    say_amended,
    say_intake,
    say_review,
    tell_each,
    tell_record,
)
from drift.cli.journal import signature
from drift.cli.options import (
    EXIT_DONE,
    EXIT_HELD_BACK,
    ON_DAY,
    as_of_option,
    by_option,
    day_asked,
    json_option,
    out_asked,
    out_option,
    policy_option,
    source_argument,
    strict_option,
    why_option,
    yes_option,
)
from drift.format import count
from drift.report.pdf import find_browser

if TYPE_CHECKING:
    from drift.api.bench import Checked
    from drift.api.reviews import Written
    from drift.store.journal import Signed
    from drift.store.loading import IntakeSummary


@click.command()
@click.argument("source", type=click.Path(path_type=Path), required=False)
@out_option("review")
@as_of_option
@policy_option
@click.option(
    "--previous",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Folder of an earlier review, to say what has changed since.",
)
@click.option("--pdf", is_flag=True, help="Print every page as a PDF file too, by a browser.")
@click.option(
    "--browser",
    type=click.Path(path_type=Path),
    metavar="PATH",
    help="Browser of the Chromium family for --pdf, where none is found by its usual name.",
)
@click.option(
    "--single-file", is_flag=True, help="Write pages that can be mailed one by one, 1 MB each."
)
@click.option("--data-only", is_flag=True, help="Write the data files, no pages and no workbook.")
@click.option("--parquet", is_flag=True, help="Write the data files as Parquet too.")
@click.option(
    "--cluster",
    metavar="ADDRESS",
    default="",
    help="With --data-only: let workers of a Dask scheduler do the work; local for this machine.",
)
@click.option("--trends", is_flag=True, help="Write the plain trends of all meters as data too.")
@click.option(
    "--as-known-on",
    type=ON_DAY,
    metavar="DATE",
    help="See a store as it was at the end of this day (and --as-of that day unless given).",
)
@by_option
@strict_option
@json_option
def review(
    source: Path | None,
    *,
    out: Path | None,
    as_of: datetime | None,
    policy: Path | None,
    previous: Path | None,
    pdf: bool,
    browser: Path | None,
    single_file: bool,
    data_only: bool,
    parquet: bool,
    cluster: str,
    trends: bool,
    as_known_on: datetime | None,
    by: str | None,
    strict: bool,
    as_json: bool,
) -> int:
    """Review SOURCE, a folder of CSV files, a store file or a workbook.

    Writes index.html, a dossier for each meter and data files into the folder of --out.  Without
    SOURCE, in a records folder, takes in what is new first and compares with the last review.

    Example: drift review records/history --as-of 2026-10-01
    """
    _check_cluster(cluster, fits=data_only and not (trends or previous))
    printer = _printer(pdf=pdf, single_file=single_file, browser=browser, data_only=data_only)
    from drift.api.reviews import review_source  # noqa: PLC0415
    from drift.review.policy import read_policy  # noqa: PLC0415

    as_of = as_of or as_known_on
    if source is None:
        source, policy, out, previous = _records_asked(as_of, out, policy, previous)
    with _progress() as progress:
        written = review_source(
            source,
            out=out_asked(out, "review", as_of),
            as_of=day_asked(as_of),
            policy=read_policy(policy),
            with_pages=not data_only,
            progress=progress,
            previous=previous,
            browser=printer,
            with_trends=trends,
            known_on=as_known_on.date() if as_known_on else None,
            signed=_signed(source, by),
            alone=single_file,
            parquet=parquet,
            cluster=cluster,
        )
    return _told(written, as_json=as_json, strict=strict)


@click.command()
@source_argument
@click.option(
    "--store",
    type=click.Path(path_type=Path),
    required=True,
    help="Store file to load into; made where it does not exist.",
)
@by_option
@why_option
@yes_option
@policy_option
@strict_option
@json_option
def intake(
    source: Path,
    *,
    store: Path,
    by: str | None,
    why: str | None,
    yes: bool,
    policy: Path | None,
    strict: bool,
    as_json: bool,
) -> int:
    """Load SOURCE into a store file: a folder of CSV files, a workbook, or visits from the bench.

    New visits are checked as drift check does, and a likely slip is loaded only if you agree;
    scripts give --yes. Tables of more than 1 MiB are a history and not a round: they are left to
    drift review. Values on record that would be amended are shown, and you are asked who amends
    them and why.

    Example: drift intake records/history --store fleet.duckdb
    """
    from drift.api.before_loading import check_before_intake, doubted_in  # noqa: PLC0415
    from drift.api.bench_visits import half_done_in  # noqa: PLC0415
    from drift.api.struck_readings import withdraw_struck  # noqa: PLC0415
    from drift.review.policy import read_policy  # noqa: PLC0415

    if not as_json:
        tell_each(half_done_in(source), as_="Half done: ")
    checked = check_before_intake(source, store, policy=read_policy(policy))
    if checked is not None:
        _agree_to_slips(checked, yes=yes, as_json=as_json)
    summary = _loaded(source, store, by=by, why=why, yes=yes)
    withdrawn = withdraw_struck(source, store)
    if as_json:
        frames = {"files": summary.files, "held_back": summary.held_back}
        frames["amendments"] = summary.amendments
        told: dict[str, object] = {name: frame.to_dicts() for name, frame in frames.items()}
        told["verdicts"] = checked.verdicts if checked else []
        told["half_done"] = half_done_in(source)
        told["withdrawn"] = withdrawn
        tell_record(told)
    else:
        say_intake(summary, doubts=doubted_in(store))
        tell_each(withdrawn)
    return EXIT_HELD_BACK if strict and not summary.held_back.is_empty() else EXIT_DONE


def _loaded(
    source: Path, store: Path, *, by: str | None, why: str | None, yes: bool
) -> "IntakeSummary":
    """Load a source; where that amends values, show them and ask who amends them and why."""
    from drift.api.sources import intake as take  # noqa: PLC0415
    from drift.store.journal import signed_now  # noqa: PLC0415
    from drift.store.loading import UnsignedAmendmentsError  # noqa: PLC0415

    agreed = yes and bool(by) and bool(why)
    try:
        return take(source, store=store, signed=signed_now(by, (why or "") if agreed else ""))
    except UnsignedAmendmentsError as error:
        say_amended(error.summary.amendments)
        signed = signature(by=by, why=why, yes=yes, asks="Amend these values")
        return take(source, store=store, signed=signed)


def _agree_to_slips(checked: "Checked", *, yes: bool, as_json: bool) -> None:
    """Say what new visits ask for; ask before what is a likely slip is loaded.

    Raises
    ------
    click.UsageError
        If nobody answers.
    click.Abort
        If it is not to be loaded.
    """
    if not as_json:
        say_verdicts(checked.verdicts)
    slips = sum(told["verdict"] == "likely_slip" for told in checked.verdicts)
    if not slips or yes:
        return
    if not sys.stdin.isatty():
        raise click.UsageError(
            f"nothing was loaded: {count(slips, 'likely slip')}; look at the sheet, amend it or "
            "load it as it is with --yes"
        )
    click.confirm(f"Load {count(slips, 'likely slip')} as written?", abort=True)


def _told(written: "Written", *, as_json: bool, strict: bool) -> int:
    """Tell of a review and return its exit code."""
    if as_json:
        tell_record(_review_told(written))
    else:
        say_review(written)
    held_back = not written.review.sources.held_back.is_empty()
    return EXIT_HELD_BACK if strict and held_back else EXIT_DONE


def _check_cluster(cluster: str, *, fits: bool) -> None:
    """Raise where a cluster is named and other options ask for more than its workers do."""
    if cluster and not fits:
        raise click.UsageError("--cluster goes with --data-only, without --trends or --previous")


def _records_asked(
    as_of: datetime | None, out: Path | None, policy: Path | None, previous: Path | None
) -> tuple[Path, Path | None, Path, Path | None]:
    """Take in what is new in a records folder; return source, policy, output and last review."""
    from drift.api.records_folder import last_review  # noqa: PLC0415
    from drift.cli.records import taken_in  # noqa: PLC0415

    place = taken_in()
    return (
        place.history,
        policy or place.policy,
        out or place.reviews / day_asked(as_of).isoformat(),
        previous or last_review(place, before=day_asked(as_of)),
    )


def _signed(source: Path, by: str | None) -> "Signed | None":
    """Return who reviews: of a store always, of a folder where a name was given."""
    from drift.api.own_records import is_own  # noqa: PLC0415
    from drift.store.journal import signed_now  # noqa: PLC0415

    keeps = by is not None or (source.is_file() and not is_own(source))
    return signed_now(by, "") if keeps else None


def _printer(*, pdf: bool, single_file: bool, browser: Path | None, data_only: bool) -> Path | None:
    """Return the browser to print with, None without --pdf; raise where options do not go together.

    It is looked for before the work, so that nobody waits for what cannot be printed.
    """
    if (pdf or single_file) and data_only:
        name = "--pdf" if pdf else "--single-file"
        raise click.UsageError(f"{name} is of pages, and --data-only writes none")
    if browser and not pdf:
        raise click.UsageError("--browser is for --pdf")
    return find_browser(browser) if pdf else None


def _review_told(written: "Written") -> dict[str, object]:
    """Return the summary of a review for scripts: rows, headline, meters and obligations."""
    from drift.review.headline import headline  # noqa: PLC0415

    review, rows = written.review, written.rows
    return {
        "as_of": review.as_of,
        "headline": headline(review.obligations, as_of=review.as_of),
        "rows": {"taken": rows.taken, "held_back": rows.held_back, "known": rows.known},
        "meters": review.meters.select(
            "meter_id", "standing", "overdue", "p_out_next_due"
        ).to_dicts(),
        "obligations": review.obligations.to_dicts(),
        "pages": written.index,
        "data": written.data,
    }


@contextmanager
def _progress() -> Iterator[Callable[[int, int], None]]:
    """Give a function that shows progress on a terminal and nothing where output is piped."""
    with click.progressbar(length=1, label="Reviewing", hidden=not sys.stdout.isatty()) as bar:

        def show(done: int, of: int) -> None:
            bar.length = of
            bar.update(done - bar.pos)

        yield show
