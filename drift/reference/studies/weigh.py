"""This module analyses a study of repeatability: what scatters, who stands out, what u follows."""

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from drift.arrays import Floats, Integers
from drift.frames import Schema
from drift.reference.studies.components import RESIDUAL, Parts, estimate_parts, sum_freedom
from drift.reference.studies.next_study import Plan, StudyScatter, plan_study
from drift.reference.studies.rounded_scatter import RoundedScatter, rounded_scatter
from drift.reference.studies.standing_out import STUDY_EFFECTS, find_standing_out

# One row a part of the scatter.  sd with its interval at 95 %, % air; null where the dial hides it
# or the design cannot tell it.  df: degrees of freedom of the variance, null at zero.  share: part
# of the tolerance that two standard deviations take (parts add as squares, not as they are).
# shared_with: what the design cannot tell from it.
STUDY_COMPONENTS: Schema = {
    "name": pl.String,
    "sd": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "df": pl.Float64,
    "share": pl.Float64,
    "shared_with": pl.String,
    "note": pl.String,
}
OPERATOR, METER, INTERACTION = "operator", "meter", "operator_by_meter"
POINT, RUN, SITTING = "meter_by_point", "run", "sitting"
# What one more reading of a meter carries besides the meter's own bias.
_OF_A_READING = (OPERATOR, INTERACTION, RUN, SITTING, RESIDUAL)
NOT_RECORDED = "not recorded"
# Binary rounding of a difference of two recorded values, % air.
_PLACES = 9
_HIDDEN = "hidden by the dial"
# Readings of a point in fewer cells of the dial than these do not show their scatter.
_CELLS = 3


@dataclass(frozen=True, slots=True)
class WeighedStudy:
    """What a study says.

    Attributes
    ----------
    study_id : str
    rows : pl.DataFrame
        Its readings: ``operator meter_id performed_on point_pct sitting bias_pct value
        resolution_pct``; value is the bias less the mean of its point.
    components : pl.DataFrame
        Frame of `STUDY_COMPONENTS`.
    effects : pl.DataFrame
        Frame of `STUDY_EFFECTS`.
    u_pct, df : float or None
        Standard uncertainty of one reading by any operator on any day, % air, without rounding and
        without the meter's own bias, and its degrees of freedom; None where nothing scatters.
    repeatability_pct, repeatability_df, operator_pct, operator_df : float or None
        What a budget takes: scatter of replicates before rounding, and what operators differ by
        (with what they differ by from meter to meter); None where the study cannot tell.
    resolution_limited : bool
        Whether the dial hides scatter that is there.
    plan : Plan or None
        The study that would tell operators apart; None where none of a bearable size does.
    notes : tuple of str
        What the design or the readings leave open, in words.
    """

    study_id: str
    rows: pl.DataFrame
    components: pl.DataFrame
    effects: pl.DataFrame
    u_pct: float | None
    df: float | None
    repeatability_pct: float | None
    repeatability_df: float | None
    operator_pct: float | None
    operator_df: float | None
    resolution_limited: bool
    plan: Plan | None
    notes: tuple[str, ...]

    @property
    def stands_out(self) -> pl.DataFrame:
        """The rows of `effects` of which it is shown."""
        return self.effects.filter("stands_out")

    @property
    def pairs(self) -> pl.DataFrame:
        """What each operator read on each meter: ``count``, ``mean`` and ``sd``, % air."""
        return (
            self.rows.group_by("operator", "meter_id", "point_pct")
            .agg(count=pl.len(), mean=pl.col("bias_pct").mean(), sd=pl.col("bias_pct").std())
            .sort("operator", "meter_id", "point_pct")
        )


def weigh_study(study_id: str, readings: pl.DataFrame, *, tolerance_pct: float) -> WeighedStudy:
    """Analyse one study.

    Parameters
    ----------
    study_id : str
    readings : pl.DataFrame
        Rows of the input table ``studies`` of that study, at least one.
    tolerance_pct : float
        Whose share each component takes, % air.

    Notes
    -----
    Bias = point + operator + meter + operator by meter + meter by point + run + sitting + scatter,
    all random but the point (and the vessel, where there are several); what a design cannot tell
    apart is left together and named (`drift.reference.studies.components`).  A run is a
    ``visit_id`` that spans several days.  Scatter of replicates is given before rounding where the
    dial's step is on record; other components hold what rounding adds to means.
    """
    rows = _lay_out(readings)
    fixed = _fixed(rows)
    notes = _notes(rows)
    value = rows["bias_pct"].to_numpy()
    if fixed.shape[1] < len(value):
        value = value - fixed @ np.linalg.lstsq(fixed, value, rcond=None)[0]
    rows = rows.with_columns(value=pl.Series(value.round(_PLACES)))
    try:
        parts = estimate_parts(rows["bias_pct"].to_numpy(), _factors(rows), fixed=fixed)
    except ValueError:
        parts = None
        notes.append("Nothing scatters in these readings: the scatter is hidden by the dial.")
    within = _within(rows)
    hidden = parts is None or _is_hidden(rows, within)
    if hidden and parts is not None:
        notes.append(
            "The dial is too coarse to show the scatter of replicates: more replicates of one "
            "sitting do not help, more meters or a dial read to half a step do."
        )
    if hidden and within is not None:
        # At most so much: a budget must not take what cannot be seen for nothing.
        within = replace(within, sd=None)
    components = _component_rows(parts, within, tolerance_pct)
    if hidden:
        components = _unseen(components, rows)
    u, df = _sum_of(parts, within, _OF_A_READING)
    operator, operator_df = _sum_of(parts, None, (OPERATOR, INTERACTION))
    repeatability, repeatability_df = _sum_of(parts, within, (RESIDUAL,))
    replicated = rows.select(pl.len().over("sitting", "point_pct").max()).item() > 1
    several = rows["operator"].n_unique() > 1 and not hidden
    return WeighedStudy(
        study_id=study_id,
        rows=rows,
        components=components,
        effects=find_standing_out(rows) if parts else pl.DataFrame(schema=STUDY_EFFECTS),
        u_pct=u,
        df=df,
        repeatability_pct=repeatability if replicated else None,
        repeatability_df=repeatability_df if replicated else None,
        operator_pct=operator if several else None,
        operator_df=operator_df if several else None,
        resolution_limited=hidden,
        plan=_plan(rows, components),
        notes=tuple(notes),
    )


def _lay_out(readings: pl.DataFrame) -> pl.DataFrame:
    """Return the readings of a study as `Study.rows`, without values."""
    day = pl.col("performed_on").cast(pl.String)
    return readings.select(
        pl.col("operator").fill_null(NOT_RECORDED),
        "meter_id",
        "performed_on",
        "stage",
        "vessel_id",
        point_pct=pl.col("correct_air_pct").cast(pl.Float64).round(0),
        run=pl.coalesce("visit_id", day),
        bias_pct=(
            pl.col("reading_air_pct").cast(pl.Float64) - pl.col("correct_air_pct").cast(pl.Float64)
        ).round(_PLACES),
        resolution_pct=pl.col("resolution_pct").cast(pl.Float64),
    ).with_columns(
        sitting=pl.concat_str(
            "meter_id", "operator", "run", day, pl.col("stage").fill_null(""), separator="\0"
        )
    )


def _fixed(rows: pl.DataFrame) -> Floats:
    """Return a column for each point, and vessel where there are several and readings enough."""
    for keys in (["point_pct", "vessel_id"], ["point_pct"]):
        codes = rows.select(pl.struct(keys).rank("dense") - 1).to_series()
        if codes.n_unique() < rows.height:
            break
    return np.asarray(np.eye(codes.n_unique())[codes.to_numpy()], dtype=np.float64)


def _factors(rows: pl.DataFrame) -> dict[str, Integers]:
    """Return the factors of a study, coarse ones first."""
    keys = {
        OPERATOR: ["operator"],
        METER: ["meter_id"],
        INTERACTION: ["operator", "meter_id"],
        POINT: ["meter_id", "point_pct"],
        RUN: ["operator", "meter_id", "run"],
        SITTING: ["sitting"],
    }
    if rows["point_pct"].n_unique() < 2:
        del keys[POINT]
    if rows.select(pl.struct(keys[RUN]).n_unique()).item() == rows["sitting"].n_unique():
        del keys[RUN]  # no visit spans several days
    return {
        name: rows.select(pl.struct(columns).rank("dense") - 1).to_series().to_numpy().astype(int)
        for name, columns in keys.items()
    }


def _notes(rows: pl.DataFrame) -> list[str]:
    """Say what the readings of a study leave open."""
    cells = rows.group_by("operator", "meter_id").len()
    operators, meters = rows["operator"].n_unique(), rows["meter_id"].n_unique()
    empty = operators * meters - cells.height
    largest = rows.group_by("sitting", "point_pct").len()["len"].max()
    told = []
    if operators == 1:
        told.append("One operator: what operators differ by cannot be said.")
    if meters == 1:
        told.append("One meter: an operator's difference may be a matter of that meter alone.")
    if largest == 1:
        told.append(
            "No replicates: what one reading scatters by cannot be separated from what sittings "
            "differ by."
        )
    if empty:
        nested = cells.height == max(operators, meters)
        told.append(
            "Each operator read meters of his own, or each meter had its own operator: what "
            "operators differ by is separated from the meters' own bias only by its size."
            if nested
            else f"{empty} of {operators * meters} pairs of operator and meter were not read; the "
            "others are weighed by how often they were."
        )
    if rows.filter(pl.col("operator") == NOT_RECORDED).height and operators > 1:
        told.append("Readings without an operator count as those of one more.")
    if rows["stage"].drop_nulls().n_unique() > 1:
        told.append(
            "Readings as found and as left are in it: an adjustment in between counts as what "
            "sittings differ by."
        )
    if rows["resolution_pct"].n_unique() > 1 or rows["resolution_pct"].null_count():
        told.append("The dial's step is not one for all readings: rounding is left in the scatter.")
    return told


def _within(rows: pl.DataFrame) -> RoundedScatter | None:
    """Return the scatter of replicates before rounding; None without them or their step."""
    steps = rows["resolution_pct"].unique()
    if steps.len() != 1 or steps[0] is None:
        return None
    groups = (
        rows.group_by("sitting", "point_pct")
        .agg("bias_pct")
        .filter(pl.col("bias_pct").list.len() > 1)
    )
    if groups.is_empty():
        return None
    sittings = [np.asarray(values) for values in groups["bias_pct"].to_list()]
    return rounded_scatter(sittings, resolution=float(steps[0]))


def _is_hidden(rows: pl.DataFrame, within: RoundedScatter | None) -> bool:
    """Say whether readings lie in too few cells of the dial to show their scatter."""
    cells = rows.group_by("point_pct").agg(pl.col("bias_pct").n_unique())["bias_pct"].to_numpy()
    few = bool(cells.max() < _CELLS) and rows.height > _CELLS
    return few or (within is not None and within.hidden)


def _component_rows(
    parts: Parts | None, within: RoundedScatter | None, tolerance_pct: float
) -> pl.DataFrame:
    """Return the components as a frame."""
    found = []
    for part in parts.rows if parts else ():
        sd, low, high = part.variance**0.5, part.low**0.5, part.high**0.5
        if part.name == RESIDUAL and within is not None:
            sd, low, high = within.sd, within.low, within.high
        found.append(
            {
                "name": part.name,
                "sd": sd,
                "low": low,
                "high": high if high is not None and np.isfinite(high) else None,
                "df": part.freedom,
                "share": None if sd is None else 2 * sd / tolerance_pct,
                "shared_with": " ".join(part.with_),
                "note": "" if sd is not None else _HIDDEN,
            }
        )
    if parts is None:
        high = within.high if within else None
        found.append({"name": RESIDUAL, "low": 0.0, "high": high, "note": _HIDDEN})
    left_out = parts.left_out.items() if parts else ()
    found += [{"name": name, "note": why} for name, why in left_out]
    return pl.DataFrame(found, schema=STUDY_COMPONENTS).with_columns(
        pl.col("shared_with", "note").fill_null("")
    )


def _unseen(components: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """Take back what a coarse dial cannot show: components that rounding could hide whole."""
    step = rows["resolution_pct"].max()
    lost = pl.col("sd") < (step / 12**0.5 if isinstance(step, float) else np.inf)
    gone = ("sd", "low", "high", "df", "share")
    return components.with_columns(
        *(pl.when(lost).then(None).otherwise(name).alias(name) for name in gone),
        note=pl.when(lost).then(pl.lit(_HIDDEN)).otherwise("note"),
    )


def _sum_of(
    parts: Parts | None, within: RoundedScatter | None, names: tuple[str, ...]
) -> tuple[float | None, float | None]:
    """Return the standard deviation of several components together, and its degrees of freedom.

    Scatter that the dial hides counts at its upper limit; without one the sum is not known.
    """
    if parts is None:
        return None, None
    variance, freedom = sum_freedom(parts, names)
    if RESIDUAL in names and within is not None:
        mine = within.sd if within.sd is not None else within.high
        if mine is None:
            return None, None
        variance += mine**2 - parts.rows[-1].variance
    return float(max(variance, 0.0) ** 0.5), freedom


def _plan(rows: pl.DataFrame, components: pl.DataFrame) -> Plan | None:
    """Plan the next study from what this one found."""
    found = {row["name"]: row for row in components.iter_rows(named=True)}
    steps = rows["resolution_pct"].drop_nulls().unique()
    cells = rows.group_by("operator", "meter_id").agg(
        days=pl.col("sitting").n_unique(), readings=pl.len()
    )
    each = rows.group_by("operator").agg(pl.col("meter_id").n_unique())
    meters, days, readings = (
        int(one.to_numpy().min()) for one in (each["meter_id"], cells["days"], cells["readings"])
    )

    def scatter(column: str) -> StudyScatter:
        def of(name: str) -> float:
            row = found.get(name, {})
            return next((row[one] for one in (column, "sd", "high") if row.get(one)), 0.0)

        return StudyScatter(
            interaction_pct=of(INTERACTION),
            between_pct=(of(RUN) ** 2 + of(SITTING) ** 2) ** 0.5,
            within_pct=of(RESIDUAL),
            resolution_pct=float(steps.max()) if steps.len() else None,  # type: ignore[arg-type]
        )

    return plan_study(
        scatter("sd"),
        scatter("high"),
        operators=max(rows["operator"].n_unique(), 2),
        done=(meters, days, max(readings // days, 1)),
    )
