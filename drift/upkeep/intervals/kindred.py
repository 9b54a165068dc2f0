"""This module tells which meters are alike: by dial and build, maker and model, age and site."""

from datetime import date

import polars as pl

from drift.format import NO_BREAK, plain
from drift.frames import DAYS_PER_YEAR

# Years in use at which a meter passes into the next group by age (our own choice).
AGES_YEARS = (5, 10)
_AGES = ["in use for up to 5 years", "in use for 5 to 10 years", "in use for over 10 years"]


def like_meters(ledger: pl.DataFrame, meters: pl.DataFrame) -> pl.DataFrame:
    """Return the group of similar meters of each meter: same step of the dial, same build.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`.
    meters : pl.DataFrame
        Rows of the input table ``meters``; may lack meters or be empty.

    Returns
    -------
    pl.DataFrame
        ``meter_id name``, by meter_id.  Like is what the records can tell: the coarsest step the
        dial is read to and, where given, the ratio of chamber to bowl.
    """
    steps = ledger.group_by("meter_id").agg(step=pl.col("resolution_pct").max())
    build = meters.select("meter_id", ratio="chamber_bowl_ratio").unique("meter_id", keep="last")
    rows = steps.join(build, on="meter_id", how="left").sort("meter_id")
    names = [
        f"read to {plain(step)}{NO_BREAK}%"
        + (f", chamber {plain(round(ratio, 3))} of the bowl" if ratio is not None else "")
        for step, ratio in rows.select("step", "ratio").iter_rows()
    ]
    return rows.select("meter_id", name=pl.Series(names, dtype=pl.String))


def built_and_aged(meters: pl.DataFrame, *, as_of: date) -> pl.DataFrame:
    """Return maker and model, age and site of each meter, by the register; null where unknown.

    Parameters
    ----------
    meters : pl.DataFrame
        Rows of the input table ``meters``; the last of a meter counts.
    as_of : date
        Day of their age, counted from ``in_service_on``, else ``received_on``.

    Returns
    -------
    pl.DataFrame
        ``meter_id made_by age site``; an age in words, of three classes parted at `AGES_YEARS`.
    """
    since = pl.coalesce("in_service_on", "received_on")
    years = (pl.lit(as_of) - since).dt.total_days() / DAYS_PER_YEAR
    built = pl.concat_str("maker", "model", separator=" ", ignore_nulls=True)
    few, many = AGES_YEARS
    young, middle, old = map(pl.lit, _AGES)
    aged = pl.when(years <= few).then(young).when(years <= many).then(middle).otherwise(old)
    return meters.unique("meter_id", keep="last").select(
        "meter_id",
        made_by=pl.when(built != "").then(built),
        age=pl.when(years.is_not_null()).then(aged),
        site="site",
    )


def kindred_meters(ledger: pl.DataFrame, meters: pl.DataFrame, *, as_of: date) -> pl.DataFrame:
    """Return the groups that each meter belongs to: of similar dial and build, and by the register.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`.
    meters : pl.DataFrame
        Rows of the input table ``meters``; may lack meters or be empty.
    as_of : date
        Day of their age, counted from ``in_service_on``, else ``received_on``.

    Returns
    -------
    pl.DataFrame
        ``meter_id name``, a row for each group of a meter: as `like_meters`, by maker and model, by
        age and by site.  Where all meters of the ledger are of one group, or none is known to be,
        that kind of group is left out: it is the fleet.
    """
    own = built_and_aged(meters, as_of=as_of).join(ledger, on="meter_id", how="semi")
    kinds = [
        like_meters(ledger, meters),
        own.drop_nulls("made_by").select("meter_id", name=pl.format("made by {}", "made_by")),
        own.drop_nulls("age").select("meter_id", name="age"),
        own.drop_nulls("site").select("meter_id", name=pl.format("kept at {}", "site")),
    ]
    every = ledger["meter_id"].n_unique()
    apart = [kind for kind in kinds if kind["name"].n_unique() > 1 or 0 < kind.height < every]
    return pl.concat([*apart, kinds[0].clear()]).sort("name", "meter_id")
