"""This module withdraws readings that were taken back at the bench after they had been loaded."""

from pathlib import Path

from drift.api.amending import NoSuchRowError, Wanted, plan_edits, write_planned
from drift.api.bench_visits import bench_files
from drift.intake.bench_file import VISIT_SUFFIX, TakenBack, taken_back
from drift.store.journal import signed_now


def withdraw_struck(visits: Path, source: Path) -> list[str]:
    """Withdraw in a folder or store what visits say was struck, or read before a later adjustment.

    Each withdrawal is an entry of the journal by who struck the reading, with the reason given at
    the bench.  A reading that was never loaded, was withdrawn before or says another value now
    stays as it is.

    Parameters
    ----------
    visits : Path
        A visit that the page of the bench saved, or a folder with such; anything else has none.
    source : Path
        Folder or store file that the visits were loaded into.

    Returns
    -------
    list of str
        What was withdrawn, in sentences.

    Raises
    ------
    DriftError
        If a visit cannot be read, or the source cannot be written.
    """
    back = [
        each
        for path in bench_files(visits)
        if path.suffix.lower() == VISIT_SUFFIX
        for each in taken_back(path)
    ]
    return [told for each in back if (told := _withdrawn(each, source))]


def _withdrawn(each: TakenBack, source: Path) -> str:
    """Withdraw one reading; return a sentence, empty where there is nothing to withdraw."""
    try:
        planned = plan_edits(
            source, Wanted("readings", each.cells, point=each.point), None, weighed=None
        )
    except NoSuchRowError:
        return ""
    said = [edit.row.cells["reading_air_pct"] for edit in planned.edits]
    if len(said) != 1 or not said[0] or float(said[0]) != float(each.reading):
        return ""
    number = write_planned(source, planned, signed_now(each.by, each.why))
    meter_id, on = each.cells["meter_id"], each.cells["performed_on"]
    return (
        f"Withdrawn, as struck at the bench: {meter_id} {on} at {each.point} %: {each.reading} "
        f"({each.why}, {each.by}); entry {number} of the journal"
    )
