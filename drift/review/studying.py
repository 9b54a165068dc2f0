"""This module takes a study of repeatability from a source to what it says, in words too."""

from dataclasses import dataclass, replace
from datetime import date

import polars as pl

from drift import format as text
from drift.errors import DriftError
from drift.ids import nearest_ids
from drift.reference.operators import OperatorSpread
from drift.reference.studies.next_study import Plan
from drift.reference.studies.standing_out import CELLS, LEVEL, REPLICATES
from drift.reference.studies.weigh import NOT_RECORDED, WeighedStudy, weigh_study
from drift.reference.weigh import Reference
from drift.review.policy import Policy
from drift.store.tables import Sources

# What a component is, in words.
COMPONENT_WORDS = {
    "operator": "between operators",
    "meter": "between meters",
    "operator_by_meter": "between operators, by meter",
    "meter_by_point": "a meter's from point to point",
    "run": "between runs of days",
    "sitting": "between sittings",
    "repeatability": "between readings of one sitting",
}


@dataclass(frozen=True, slots=True)
class Studied:
    """A study with what it was found in.

    Attributes
    ----------
    study : WeighedStudy
    policy : Policy
    source_name : str
    as_of : date
    files : pl.DataFrame
        Of the source, as `drift.store.tables.Sources.files`.
    told : tuple of str
        What it says, as sentences.
    """

    study: WeighedStudy
    policy: Policy
    source_name: str
    as_of: date
    files: pl.DataFrame
    told: tuple[str, ...]


def find_study(
    sources: Sources, study_id: str, *, source_name: str, as_of: date, policy: Policy
) -> Studied:
    """Analyse a study of a source.

    Raises
    ------
    DriftError
        If there is no such study; it names the nearest.
    """
    mine = sources.studies.filter(pl.col("study_id") == study_id)
    if mine.is_empty():
        known = sources.studies["study_id"].unique().sort().to_list()
        near = nearest_ids(study_id, known)
        raise DriftError(
            what="is not a study on record",
            where=f"study {study_id}",
            expected=f"one of {text.listed(known)}" if known else "a table of studies",
            hint=f"nearest: {', '.join(near)}" if near else "",
        )
    study = weigh_study(study_id, with_dials(mine, sources), tolerance_pct=policy.tolerance_pct)
    return Studied(
        study=study,
        policy=policy,
        source_name=source_name,
        as_of=as_of,
        files=sources.files,
        told=study_sentences(study, tolerance_pct=policy.tolerance_pct),
    )


def studies_of(
    sources: Sources, *, source_name: str, as_of: date, policy: Policy
) -> tuple[Studied, ...]:
    """Analyse every study of a source, by name; parameters as of `find_study`."""
    return tuple(
        find_study(sources, study_id, source_name=source_name, as_of=as_of, policy=policy)
        for study_id in sources.studies["study_id"].unique().sort()
    )


def study_in_force(sources: Sources, policy: Policy) -> WeighedStudy | None:
    """Return the study whose scatter enters budgets; None where none is chosen or on record yet."""
    mine = sources.studies.filter(pl.col("study_id") == policy.scatter_study)
    if mine.is_empty():
        return None
    return weigh_study(
        policy.scatter_study, with_dials(mine, sources), tolerance_pct=policy.tolerance_pct
    )


def with_operators_of(study: WeighedStudy | None, reference: Reference) -> Reference:
    """Return what is known of the reference, with what a study says that operators differ by."""
    if study is None or study.operator_pct is None:
        return reference
    spread = OperatorSpread(study.operator_pct, study.operator_df, f"study {study.study_id}")
    return replace(reference, operators=spread)


def with_dials(readings: pl.DataFrame, sources: Sources) -> pl.DataFrame:
    """Return readings of a study with their meter's step where they state none themselves."""
    dials = sources.meters.select("meter_id", dial="dial_resolution_pct")
    return readings.join(dials, on="meter_id", how="left", maintain_order="left").with_columns(
        resolution_pct=pl.coalesce("resolution_pct", "dial")
    )


def study_sentences(study: WeighedStudy, *, tolerance_pct: float) -> tuple[str, ...]:
    """Say what a study found: who stands out, what scatters, what it is worth, what to do next."""
    rows = study.rows
    told = [
        (
            f"Study {study.study_id}: {text.count(rows.height, 'reading')}, "
            f"{text.count(rows['operator'].n_unique(), 'operator')}, "
            f"{text.count(rows['meter_id'].n_unique(), 'meter')}, "
            f"{text.count(rows['performed_on'].n_unique(), 'day')}."
        ),
        _standing_out(study),
        _largest(study, tolerance_pct),
    ]
    if study.u_pct is not None:
        bound = "at most " if study.resolution_limited else ""
        told.append(
            f"The standard uncertainty of one reading, by any of these operators on any day, is "
            f"{bound}{text.spread(study.u_pct)} % air{_freedom(study.df)}. The dial's rounding and "
            "the reference are not counted in it."
        )
    told.append(
        "The dial's resolution hides part of the scatter."
        if study.resolution_limited
        else "The dial's resolution does not hide the scatter."
        if rows["resolution_pct"].null_count() == 0
        else "Whether the dial's resolution hides scatter cannot be said: its step is not recorded."
    )
    told.append(plan_words(study.plan, rows))
    return (*told, *study.notes)


def _standing_out(study: WeighedStudy) -> str:
    """Say which operators and meters stand out."""
    parts = []
    for row in study.stands_out.iter_rows(named=True):
        who = "an operator not recorded" if row["name"] == NOT_RECORDED else row["name"]
        if row["what"] == LEVEL and row["low"] <= 0 <= row["high"]:
            parts.append(f"{row['kind']} {who} reads between the others, yet unlike each of them")
        elif row["what"] == LEVEL:
            way = "higher" if row["value"] > 0 else "lower"
            parts.append(
                f"{row['kind']} {who} reads {text.spread(abs(row['value']))} % air {way} than the "
                f"others ({text.bias(row['low'])} to {text.bias(row['high'])})"
            )
        else:
            parts.append(
                f"{row['kind']} {who} scatters by {text.spread(row['value'])} % air (standard "
                f"deviation), the others by {text.spread(row['others'])} % air"
            )
    compared = study.effects.filter(pl.col("what") == LEVEL)["kind"].unique().to_list()
    if parts:
        return _sentence("; ".join(parts))
    if not compared:
        return "No operator or meter can be compared with others."
    return f"No {' or '.join(sorted(compared, reverse=True))} stands out."


def _sentence(words: str) -> str:
    """Return words as a sentence; a name keeps its letters."""
    return f"{words[0].upper()}{words[1:]}."


def _largest(study: WeighedStudy, tolerance_pct: float) -> str:
    """Say which component takes most of the tolerance."""
    seen = study.components.drop_nulls("sd").sort("sd", descending=True)
    if seen.is_empty():
        return "How much readings scatter cannot be said."
    first = seen.row(0, named=True)
    limits = f"{text.spread(first['low'])} to "
    limits += text.spread(first["high"]) if first["high"] is not None else "no upper limit"
    return (
        f"The largest part of the scatter is {COMPONENT_WORDS[first['name']]}: a standard "
        f"deviation of {text.spread(first['sd'])} % air (95{text.NO_BREAK}% interval {limits}). "
        f"Twice that takes {text.percent(first['share'], places=0)} of the "
        f"tolerance, ±{text.plain(tolerance_pct)} % air."
    )


def _freedom(df: float | None) -> str:
    """Say degrees of freedom."""
    return "" if df is None else f" ({text.whole(int(df))} degrees of freedom)"


def plan_words(plan: Plan | None, rows: pl.DataFrame) -> str:
    """Say which study would tell operators apart."""
    if plan is None:
        return (
            "No study of up to 30 meters, 4 days and 6 readings each would show a difference of "
            "0.02 % air between two operators. They differ too much from meter to meter, or the "
            "dial is too coarse."
        )
    told = (
        f" This study could show {text.spread(plan.told_pct)} % air."
        if plan.told_pct is not None
        else ""
    )
    steps = rows["resolution_pct"].drop_nulls()
    finer = (
        f", the dial read to {text.plain(plan.read_to_pct)} % air"
        if plan.read_to_pct is not None and steps.len() and plan.read_to_pct < max(steps)
        else ""
    )
    return (
        f"To show a difference of {text.plain(plan.difference_pct)} % air between two operators: "
        f"{text.count(plan.operators, 'operator')} each read "
        f"{text.count(plan.meters, 'meter')} on {text.count(plan.days, 'day')}, "
        f"{text.count(plan.replicates, 'reading')} each time{finer}, {text.whole(plan.readings)} "
        f"readings in all. The chance that this shows it is {text.probability(plan.power)}, or "
        f"{text.probability(plan.power_at_worst)} if the scatter is as large as it may be.{told}"
    )


# How the means behind a level were compared, in words.
COMPARED_WORDS = {
    CELLS: "means of operator and meter, each counted once",
    "own": "meters of each operator's own, what these differ by counted as scatter",
    "sittings": "means of sittings on one meter",
    REPLICATES: "single readings of one meter",
}
