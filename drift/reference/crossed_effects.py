"""This module estimates the levels of a common fit: vessels, operators and what goes with dates.

A level's effect is its difference from the mean of the levels that it can be compared with.  Where
the design cannot tell two things apart it says which; it never shares an effect out between them.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.special import stdtr, stdtrit

from drift.arrays import Floats, Integers
from drift.frames import Schema
from drift.reference.crossed_design import LATER, NOT_RECORDED, OTHERS
from drift.reference.crossed_fit import CrossedFit, independent
from drift.reference.mixed_model import FIXED, CrossProducts, fit_reml

# One row per common cause looked for.  kind: vessel (a calibration period against the mean of the
# others), vessel_change (a period against the one that the same meters were read with before),
# vessel_step (a shift within a period that no record explains), shared_step (the same where no
# vessel was recorded), operator, season (half the swing over the year, where it returns),
# water_temperature (per 10 °C), fleet_drift (% air per year, where most meters take part).  Effects
# are % air, those of vessels and steps at 5 % air.  from_on and to_on: first and last use; for a
# change the last use of the old and the first of the new; for a step the interval of its date.
# effect, p and q are null where the design cannot tell; confounded_with then says from what.
REFERENCE: Schema = {
    "kind": pl.String,
    "name": pl.String,
    "from_on": pl.Date,
    "to_on": pl.Date,
    "effect_pct": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "p": pl.Float64,
    "q": pl.Float64,
    "meters": pl.Int64,
    "visits": pl.Int64,
    "confounded_with": pl.String,
}

EffectValues = dict[str, object]

NOTHING_TO_COMPARE = "nothing to compare with"
THE_METERS = "the meters it was used on"
ALL_METERS = "all meters"
BLIND = 1e-6


@dataclass(frozen=True, slots=True)
class Levels:
    """The levels of a common fit and their generalised least squares solution.

    Attributes
    ----------
    frame : pl.DataFrame
        One row per level: kind, name, from_on, to_on, meters, visits and, for vessels, vessel_id
        and calibrated_on.
    into : array (m, k)
        Columns of the fit that each level sums.
    estimates : array (k,)
        One solution; only estimable contrasts of it mean anything.
    covariance : array (k, k)
        Generalised inverse of the normal matrix times the noise variance.
    null : array (k, k)
        Projection onto what the design cannot see.
    freedom : int
    """

    frame: pl.DataFrame
    into: Floats
    estimates: Floats
    covariance: Floats
    null: Floats
    freedom: int


def solve_levels(fit: CrossedFit, *, steps: Sequence[EffectValues] = ()) -> Levels:
    """Estimate every level of a fit side by side.

    Parameters
    ----------
    fit : CommonFit
    steps : sequence of rows, optional
        Shifts within periods as `drift.reference.vessel_shifts.find_steps` returns them; each
        becomes a level of its own, so that the period's effect is that before its shift.
    """
    frame, into = _levels(fit)
    for step in steps:
        later = np.isin(np.arange(len(into)), step["bins"])  # type: ignore[arg-type]  # list of int
        into = np.column_stack([into, later.astype(np.float64)])
        frame = frame.vstack(
            pl.DataFrame([{key: step.get(key) for key in frame.columns}], schema=frame.schema)
        )
    return solve_into(fit, frame, into)


def solve_into(fit: CrossedFit, frame: pl.DataFrame, into: Floats) -> Levels:
    """Return the generalised least squares solution for levels that sum columns of the fit."""
    gram, right = into.T @ fit.gram @ into, into.T @ fit.right
    size = np.sqrt(np.maximum(np.diag(gram), 0.0))
    # Sums of bins that cancel leave the rounding of what cancelled, about 1e-15 of its square.
    used = size > 1e-6 * size.max(initial=0.0)
    weight = np.where(used, 1 / np.where(used, size, 1.0), 0.0)
    values, vectors = np.linalg.eigh(gram * np.outer(weight, weight))
    seen = values > 1e-8 * values.max(initial=0.0)
    inverse = (vectors[:, seen] / values[seen]) @ vectors[:, seen].T * np.outer(weight, weight)
    # The blind directions in the levels' own units: those n with gram·n = 0.
    blind = vectors[:, ~seen] * np.where(used, weight, 1.0)[:, None]
    basis = np.linalg.qr(blind)[0] if blind.size else np.zeros((len(right), 0))
    return Levels(
        frame=frame,
        into=into,
        estimates=inverse @ right,
        covariance=inverse * fit.noise_sd**2,
        null=basis @ basis.T,
        freedom=fit.freedom,
    )


def _levels(fit: CrossedFit) -> tuple[pl.DataFrame, Floats]:
    """Return the levels and the columns of the fit that each sums."""
    design = fit.design
    period = ["vessel_id", "calibrated_on"]
    rows = design.rows
    counts = rows.group_by(period).agg(
        from_on=pl.col("performed_on").min(),
        to_on=pl.col("performed_on").max(),
        meters=pl.col("meter_id").n_unique().cast(pl.Int64),
        visits=pl.struct("meter_id", "visit_id").n_unique().cast(pl.Int64),
    )
    periods = counts.sort("vessel_id", "from_on").with_columns(
        kind=pl.lit("vessel"),
        name=pl.when(pl.col("calibrated_on").is_null())
        .then("vessel_id")
        .otherwise(pl.format("{} calibrated {}", "vessel_id", "calibrated_on")),
    )
    operators = design.operators.select(
        "meters",
        "visits",
        from_on="first_on",
        to_on="last_on",
        kind=pl.lit("operator"),
        name="operator",
    )
    whole = {
        "from_on": rows["performed_on"].min(),
        "to_on": rows["performed_on"].max(),
        "meters": rows["meter_id"].n_unique(),
        "visits": rows.select(pl.struct("meter_id", "visit_id").n_unique()).item(),
    }
    plain = [name for name in design.extra_names if not name.endswith(LATER)]
    extra = pl.DataFrame([{"kind": name, "name": ALL_METERS, **whole} for name in plain])
    frame = pl.concat([periods, operators, extra], how="diagonal_relaxed")
    numbered = design.bins.join(
        periods.with_row_index("level"), on=period, how="left", nulls_equal=True
    ).sort("bin")
    into = np.zeros((design.width, frame.height))
    into[numbered["bin"].to_numpy(), numbered["level"].to_numpy()] = 1
    people = design.bins.height + operators.height
    level = np.arange(periods.height, frame.height)
    column = [people + design.extra_names.index(name) for name in plain]
    into[[*range(design.bins.height, people), *column], level] = 1
    return frame, into


def contrast_row(levels: Levels, contrast: Floats, *, level: float) -> EffectValues:
    """Return estimate, interval and two-sided p of an estimable contrast of levels, (k,)."""
    estimate = float(contrast @ levels.estimates)
    variance = float(contrast @ levels.covariance @ contrast)
    error = float(np.sqrt(max(variance, 0.0)))
    half = float(stdtrit(levels.freedom, 0.5 + level / 2)) * error
    return {
        "effect_pct": estimate,
        "low": estimate - half,
        "high": estimate + half,
        "p": float(2 * stdtr(levels.freedom, -abs(estimate) / error)) if error > 0 else None,
    }


def is_estimable(levels: Levels, contrast: Floats) -> bool:
    """Say whether the design can see a contrast of levels, (k,)."""
    return bool(np.abs(levels.null @ contrast).max(initial=0.0) < BLIND)


def level_rows(fit: CrossedFit, levels: Levels, *, level: float) -> list[EffectValues]:
    """Return one row per vessel period and operator, against those comparable with it."""
    rows: list[EffectValues] = []
    for kind in ("vessel", "operator"):
        members = np.flatnonzero((levels.frame["kind"] == kind).to_numpy())
        for index in members:
            base = base_row(levels, int(index))
            if base["name"] in (NOT_RECORDED, OTHERS):
                continue
            reason, contrast = _compare(fit, levels, int(index), members)
            if reason or contrast is None:
                rows.append({**base, "confounded_with": reason})
            else:
                rows.append({**base, **contrast_row(levels, contrast, level=level)})
    return rows


def base_row(levels: Levels, index: int) -> EffectValues:
    """Return the descriptive columns of a level."""
    names = ["kind", "name", "from_on", "to_on", "meters", "visits"]
    return levels.frame.select(names).row(index, named=True)


def _compare(
    fit: CrossedFit, levels: Levels, index: int, members: Integers
) -> tuple[str, Floats | None]:
    """Return why a level cannot be known, or its contrast with the mean of those comparable."""
    count = len(levels.estimates)
    if len(members) < 2:
        return NOTHING_TO_COMPARE, None
    if levels.frame["meters"][index] < 2:
        return _only_meter(fit, levels, index), None
    unit = np.eye(count)
    alike = [j for j in members if j == index or is_estimable(levels, unit[index] - unit[j])]
    if len(alike) > 1:
        return "", unit[index] - unit[alike].mean(axis=0)
    whole = unit[index] - unit[members].mean(axis=0)
    blind = levels.null @ whole
    names = levels.frame["name"].to_list()
    opposite = blind * np.sign(blind[index]) < -BLIND
    opposite[members] = False
    against = [names[j] for j in np.flatnonzero(opposite)]
    return "; ".join(against) or THE_METERS, None


def _only_meter(fit: CrossedFit, levels: Levels, index: int) -> str:
    """Return the meter of a level that was used on one meter only."""
    row = levels.frame.row(index, named=True)
    if row["kind"] == "operator":
        used = fit.design.rows.filter(pl.col("operator") == row["name"])
    else:
        used = fit.design.rows.filter(
            (pl.col("vessel_id") == row["vessel_id"])
            & pl.col("calibrated_on").eq_missing(pl.lit(row["calibrated_on"], dtype=pl.Date))
        )
    return f"meter {used['meter_id'][0]}"


def change_rows(fit: CrossedFit, levels: Levels, *, level: float) -> list[EffectValues]:
    """Return one row per vessel period: against the one its meters were read with before."""
    period = ["vessel_id", "calibrated_on"]
    vessels = levels.frame.filter(pl.col("kind") == "vessel").with_row_index("level")
    numbered = (
        fit.design.rows.join(
            vessels.select(*period, "level"), on=period, how="left", nulls_equal=True
        )
        .sort("meter_id", "t_years", "block")
        .with_columns(before=pl.col("level").shift(1).over("meter_id"))
        .with_columns(last_use=pl.col("performed_on").shift(1).over("meter_id"))
    )
    moved = numbered.filter(pl.col("before") != pl.col("level"))
    commonest = (
        moved.group_by("level", "before")
        .agg(times=pl.len(), meters=pl.col("meter_id").n_unique())
        .sort("level", "times", "before", descending=[False, True, False])
        .group_by("level", maintain_order=True)
        .first()
    )
    rows: list[EffectValues] = []
    for new, old, _, meters in commonest.iter_rows():
        row = vessels.row(new, named=True)
        if row["from_on"] <= vessels["from_on"][old] or NOT_RECORDED in (
            row["vessel_id"],
            vessels["vessel_id"][old],
        ):
            continue
        contrast = np.zeros(len(levels.estimates))
        contrast[new], contrast[old] = 1, -1
        base = {
            "kind": "vessel_change",
            "name": f"{vessels['name'][old]} to {row['name']}",
            "from_on": min(vessels["to_on"][old], row["from_on"]),
            "to_on": row["from_on"],
            "meters": meters,
            "visits": row["visits"],
        }
        if meters < 2:
            rows.append({**base, "confounded_with": _only_meter(fit, levels, new)})
        elif not is_estimable(levels, contrast):
            reason = _compare(fit, levels, new, np.arange(vessels.height))[0]
            rows.append({**base, "confounded_with": reason or THE_METERS})
        else:
            rows.append({**base, **contrast_row(levels, contrast, level=level)})
    return rows


def component_sds(fit: CrossedFit, levels: Levels) -> dict[str, float]:
    """Return standard deviations, % air, of what a sitting's bias is made of.

    Returns
    -------
    dict
        ``noise`` (one sitting), ``wander`` (a level after one year), ``drift`` (rates of drift, %
        air per year), and, where there are at least three levels, ``vessel`` (at 5 % air) and
        ``operator``, by REML with both crossed.

    Notes
    -----
    REML keeps the wandering and drift ratios of the fit and searches the two crossed variances.
    """
    found = {"noise": fit.noise_sd, "wander": fit.wander_sd, "drift": fit.drift_sd}
    kinds = levels.frame["kind"].to_list()
    random = [kind for kind in ("vessel", "operator") if kinds.count(kind) >= 3]
    if not random:
        return found
    columns = np.column_stack([levels.into, np.zeros(len(levels.into))])
    columns = np.vstack([columns, np.eye(columns.shape[1])[-1]])
    whole = np.block(
        [[fit.gram, fit.right[:, None]], [fit.right[None, :], np.array([[fit.total]])]]
    )
    rest = columns.T @ whole @ columns
    fixed = [j for j, kind in enumerate(kinds) if kind not in random]
    keep_fixed = np.asarray(fixed)[independent(rest[np.ix_(fixed, fixed)])]
    chosen = [j for j, kind in enumerate(kinds) if kind in random or j in keep_fixed]
    codes = [random.index(kinds[j]) if kinds[j] in random else FIXED for j in chosen]
    index = [*chosen, len(kinds)]
    products = CrossProducts(
        group=np.zeros((0, 1, 1)),
        cross=np.zeros((0, 1, len(index))),
        rest=rest[np.ix_(index, index)],
        rows=fit.rows,
    )
    fitted = fit_reml(products, components=codes)
    sds = np.sqrt(fitted.rest_variances)
    return found | {kind: float(sds[j]) for j, kind in enumerate(random)}
