"""This module takes a source to the record of a visit, the impact note or the retirement memo."""

from collections.abc import Sequence
from datetime import date
from pathlib import Path

import polars as pl

from drift.api.sources import read_known
from drift.errors import SourceError
from drift.ids import named_id, nearest_ids
from drift.report.data_files import plain_columns, write_data
from drift.report.exchange import digests_of, exchanged_for, place_for, write_kind_record
from drift.report.memos import ImpactWritten
from drift.report.own_files import IMPACT, VISITS
from drift.review.analyse import analyse
from drift.review.impact import check_meter_and_visit, find_impact
from drift.review.policy import Policy
from drift.review.retirement import RetirementMemo, weigh_meters
from drift.review.suspicion import sentences
from drift.review.visit_record import visit_day, visit_record
from drift.store.tables import Sources

_LONGEST_ID = 60


def write_impact(
    source: Path, meter_id: str, *, visit: date | None, out: Path, as_of: date, policy: Policy
) -> ImpactWritten:
    """Write the impact note of one meter into a folder.

    Parameters
    ----------
    source : Path
        Folder of CSV files or store file.
    meter_id : str
        The meter, or the beginning of one id.
    visit : date or None
        The visit that is asked about; by default the last that found it out of tolerance, or the
        last of all where none did.
    out : Path
        Folder to write into; made where it does not exist.
    as_of : date
        Later rows are not seen.
    policy : Policy
        The laboratory's choices.

    Raises
    ------
    DriftError
        If the source cannot be used, holds no such meter or visit, or `out` cannot be written.
    """
    # Drawing libraries are slow to load, and a wrong name should be told at once.
    from drift.report.figures.assets import write_assets  # noqa: PLC0415
    from drift.report.pages.impact import impact_page  # noqa: PLC0415
    from drift.report.pages.parts import file_name  # noqa: PLC0415
    from drift.report.render import html_impact  # noqa: PLC0415

    place = place_for(out, IMPACT)
    sources = read_known(source, as_of=as_of, policy=policy)
    meter_id = named_id(meter_id, sources.sessions["meter_id"].unique())
    check_meter_and_visit(sources.sessions, meter_id, visit)
    name = source.resolve().name
    review = analyse(sources, source_name=name, as_of=as_of, policy=policy)
    impact = find_impact(review, meter_id, visit=visit)
    page = impact_page(impact, review)
    stem = f"{file_name(meter_id).removesuffix('.html')}_{impact.suspicion.closed.isoformat()}"
    tables = {
        f"{stem}_field_tests": plain_columns(impact.tests),
        f"{stem}_path": plain_columns(impact.path),
    }
    # Notes on other meters and visits stay beside it.
    with exchanged_for(place, keep=place.written.keys()) as new:
        write_data(tables, new)
        (new / f"{stem}.html").write_text(html_impact(page), encoding="utf-8", newline="\n")
        write_assets(new)
        write_kind_record(new, IMPACT, {**place.written, **digests_of(new)})
    return ImpactWritten(
        impact=impact,
        told=sentences(impact, policy),
        page=out / f"{stem}.html",
        data=tuple(out / f"{table}.csv" for table in tables),
    )


def write_visit(
    source: Path, meter_id: str, *, on: date | None, out: Path, as_of: date, policy: Policy
) -> tuple[Path, str]:
    """Write the record of one visit of a meter into a folder, to print and sign.

    Parameters
    ----------
    source : Path
        Folder or store file that holds the visit.
    meter_id : str
        The meter, or the beginning of one id.
    on : date or None
        Day of the visit; None for its last.
    out : Path
        Folder to write into; made where it does not exist.  Records of other visits stay.
    as_of : date
        Later rows are not seen.
    policy : Policy
        The laboratory's choices.

    Returns
    -------
    page : Path
        What was written.
    headline : str
        What the numbers of the visit say.

    Raises
    ------
    DriftError
        If the source cannot be used, holds no such visit, or `out` cannot be written.
    """
    # Templates and drawing libraries are slow to load, and a wrong name should be told at once.
    from drift.report.pages.parts import file_name  # noqa: PLC0415
    from drift.report.pages.visit import visit_page  # noqa: PLC0415
    from drift.report.render import html_visit  # noqa: PLC0415

    place = place_for(out, VISITS)
    sources = read_known(source, as_of=as_of, policy=policy)
    meter_id = named_id(meter_id, sources.sessions["meter_id"].unique())
    # A wrong day is told at once, not after all has been worked out.
    day = visit_day(sources.sessions, meter_id, on)
    review = analyse(sources, source_name=source.resolve().name, as_of=as_of, policy=policy)
    record = visit_record(review, meter_id, on=day)
    name = f"{file_name(meter_id).removesuffix('.html')}_{record.on.isoformat()}.html"
    with exchanged_for(place, keep=place.written.keys()) as new:
        (new / name).write_text(
            html_visit(visit_page(review, record)), encoding="utf-8", newline="\n"
        )
        write_kind_record(new, VISITS, {**place.written, **digests_of(new)})
    return out / name, record.headline


def retirement_memo(
    source: Path, *, meters: Sequence[str], as_of: date, policy: Policy
) -> RetirementMemo:
    """Weigh whether to keep the meters of a folder or a store file.

    Parameters
    ----------
    source : Path
        Folder or store file.
    meters : sequence of str
        Ids, or beginnings of one each; all that are not retired where none is given.
    as_of : date
        The date the memo speaks for.
    policy : Policy
        Thresholds and prices.

    Raises
    ------
    DriftError
        If the source cannot be used, a meter is not in it, or every meter is retired.
    """
    sources = read_known(source, as_of=as_of, policy=policy)
    name = source.resolve().name
    known = sources.sessions["meter_id"].unique()
    asked = tuple(dict.fromkeys(named_id(meter_id, known) for meter_id in meters))
    # A wrong name is told at once, not after all has been worked out.
    chosen = _chosen(sources, asked, where=name)
    review = analyse(sources, source_name=name, as_of=as_of, policy=policy)
    return weigh_meters(review, chosen, asked=asked)


def _chosen(sources: Sources, asked: tuple[str, ...], *, where: str) -> list[str]:
    """Return the meters to weigh, or raise where one is not known or none is left."""
    known = sources.sessions["meter_id"].unique().sort().to_list()
    for meter_id in asked:
        # Where nothing was read at all, that is what there is to say.
        if known and meter_id not in known:
            near = [_shown(name) for name in nearest_ids(meter_id, known)]
            raise SourceError(
                what="is not a meter with a visit on record",
                where=f"meter {_shown(meter_id)}",
                expected="the id of one that has",
                hint=f"nearest: {', '.join(near)}" if near else f"there are {len(known)}",
            )
    last = sources.meters.unique("meter_id", keep="last")
    retired = set(last.filter(pl.col("status") == "retired")["meter_id"])
    in_use = [meter_id for meter_id in known if meter_id not in retired]
    if known and not asked and not in_use:
        raise SourceError(
            what="holds no meter in use: all are retired",
            where=where,
            expected="a meter that is not retired",
            hint="name the meters to weigh all the same",
        )
    return list(asked) or in_use


def _shown(meter_id: str) -> str:
    """Return an id that cannot break a line of a terminal."""
    text = "".join(mark if mark.isprintable() else "?" for mark in meter_id)
    return text if len(text) <= _LONGEST_ID else text[: _LONGEST_ID - 1] + "…"
