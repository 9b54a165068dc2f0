"""This module works out the uncertainty of every bias of a fleet at once.

It is `drift.reference.uncertainty` for columns: the tests hold both equal.
"""

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.special import erf, stdtrit

from drift.arrays import Floats
from drift.frames import Schema

# Coverage probability of expanded uncertainties: that of two standard deviations of a normal
# distribution, so that k = 2 where nothing is estimated from few data (JCGM 100:2008, Table G.2).
COVERAGE = float(erf(np.sqrt(2)))

# One row per bias and input quantity, then one for all of them, called "combined".  value is a
# standard uncertainty (normal) or a half-width (rectangular), % air; degrees_of_freedom null where
# taken as infinite; contribution |sensitivity · standard uncertainty|, % air; share of the sum of
# squares.  coverage_factor and expanded_u_pct stand in the rows "combined" alone.  stage is
# "as_found", "as_left", or "step" for as found less what the visit before left.
UNCERTAINTY: Schema = {
    "meter_id": pl.String,
    "visit_on": pl.Date,
    "point_pct": pl.Float64,
    "stage": pl.String,
    "component": pl.String,
    "value": pl.Float64,
    "distribution": pl.String,
    "standard_u_pct": pl.Float64,
    "sensitivity": pl.Float64,
    "degrees_of_freedom": pl.Float64,
    "contribution_pct": pl.Float64,
    "share": pl.Float64,
    "coverage_factor": pl.Float64,
    "expanded_u_pct": pl.Float64,
    "basis": pl.String,
}
COMBINED, STEP = "combined", "step"
AIR_LEFT = "bubbles in a bowl called full of water: the policy's air_left_pct"
# Whether what an unknown bowl leaves open counts in a budget or is told beside it.
TOLD, COUNTED = "told", "counted"


def with_uncertainty(sittings: pl.DataFrame) -> pl.DataFrame:
    """Add the uncertainty of each bias.

    Parameters
    ----------
    sittings : pl.DataFrame
        One row per bias with ``reference_u_pct bowl_u_pct air_left_pct resolution_pct
        repeatability_pct replicates operator_u_pct`` and ``repeatability_freedom
        operator_freedom``, null as infinite.

    Returns
    -------
    pl.DataFrame
        `sittings` with ``u_pct``, ``freedom`` (effective, infinite where no input has finite
        ones), ``coverage_factor`` and ``expanded_u_pct``.

    References
    ----------
    JCGM 100:2008, equations 10 and G.2b.
    """
    per_mean = pl.col("repeatability_pct") ** 2 / pl.col("replicates")
    below = per_mean**2 / pl.col("repeatability_freedom").fill_null(np.inf) + pl.col(
        "operator_u_pct"
    ) ** 4 / pl.col("operator_freedom").fill_null(np.inf)
    combined = sittings.with_columns(
        u_pct=bias_uncertainty(
            reference_u=pl.col("reference_u_pct"),
            bowl_u=pl.col("bowl_u_pct"),
            air_left=pl.col("air_left_pct"),
            resolution=pl.col("resolution_pct"),
            repeatability=pl.col("repeatability_pct"),
            replicates=pl.col("replicates"),
            operator_sd=pl.col("operator_u_pct"),
        )
    ).with_columns(freedom=pl.col("u_pct") ** 4 / below)
    return with_expanded(combined)


def with_expanded(combined: pl.DataFrame) -> pl.DataFrame:
    """Add ``coverage_factor`` and ``expanded_u_pct`` to columns ``u_pct`` and ``freedom``."""
    freedom = combined["freedom"].fill_null(np.nan).to_numpy()
    factors = pl.Series(coverage_factors(freedom), dtype=pl.Float64).fill_nan(None)
    return combined.with_columns(coverage_factor=factors).with_columns(
        expanded_u_pct=pl.col("coverage_factor") * pl.col("u_pct")
    )


def coverage_factors(freedom: npt.ArrayLike) -> Floats:
    """Return Student's t for `COVERAGE`, 2 for infinite degrees of freedom, NaN for unknown ones.

    References
    ----------
    JCGM 100:2008, G.3 and Table G.2.
    """
    # A fleet repeats few budgets, and quantiles are slow.
    values, place = np.unique(np.asarray(freedom, dtype=np.float64), return_inverse=True)
    finite = np.isfinite(values)
    t = stdtrit(np.where(finite, values, 1.0), 0.5 + COVERAGE / 2)
    factors = np.where(finite, t, np.where(np.isnan(values), np.nan, 2.0))
    return np.asarray(factors[place].reshape(np.shape(freedom)))


def budget_rows(sittings: pl.DataFrame) -> pl.DataFrame:
    """Return the budget of each bias, component by component.

    Parameters
    ----------
    sittings : pl.DataFrame
        As `with_uncertainty` returns, with ``meter_id performed_on point_pct stage`` and the texts
        ``reference_basis bowl_basis repeatability_basis operator_basis``.

    Returns
    -------
    pl.DataFrame
        Frame of `UNCERTAINTY`, sorted by meter, point, stage and place in the budget.
    """
    root = pl.col("replicates").sqrt()
    parts = [
        _part("reference", pl.col("reference_u_pct"), basis=pl.col("reference_basis")),
        _part("bowl", pl.col("bowl_u_pct"), basis=pl.col("bowl_basis")),
        _part(
            "air left",
            pl.col("air_left_pct"),
            distribution="rectangular",
            basis=pl.lit(AIR_LEFT),
        ),
        _part(
            "resolution",
            pl.col("resolution_pct") / 2,
            distribution="rectangular",
            basis=pl.lit("step the dial is read to"),
        ),
        _part(
            "repeatability",
            pl.col("repeatability_pct") / root,
            freedom=pl.col("repeatability_freedom"),
            basis=pl.col("repeatability_basis"),
        ),
        _part(
            "operator",
            pl.col("operator_u_pct"),
            freedom=pl.col("operator_freedom"),
            basis=pl.col("operator_basis"),
        ),
        {
            "component": pl.lit(COMBINED),
            "standard_u_pct": pl.col("u_pct"),
            "degrees_of_freedom": pl.when(pl.col("freedom").is_finite()).then("freedom"),
            "contribution_pct": pl.col("u_pct"),
            "share": pl.lit(1.0),
            "coverage_factor": pl.col("coverage_factor"),
            "expanded_u_pct": pl.col("expanded_u_pct"),
        },
    ]
    return _stacked(sittings, parts)


def step_rows(pairs: pl.DataFrame) -> pl.DataFrame:
    """Return the budget of each step from what a visit left to what the next one found.

    Parameters
    ----------
    pairs : pl.DataFrame
        One row per step: the columns of `with_uncertainty` and `budget_rows` for the bias found,
        the first of these with the suffix ``_before`` for the bias left, and the flags
        ``one_reference``, ``one_bowl`` and ``one_operator``: one calibration of one vessel, one
        measurement of the bowl, and one person, served both.

    Returns
    -------
    pl.DataFrame
        Frame of `UNCERTAINTY` with stage "step", sorted as by `budget_rows`.

    Notes
    -----
    What served both sides errs alike on both and cancels: it then counts 0.  Repeatability is one
    estimate for both and keeps its degrees of freedom.

    References
    ----------
    JCGM 100:2008, equation 16 with sensitivities 1 and −1 and r = 1.
    """

    def both(name: str, *, shared: str = "") -> pl.Expr:
        root = (pl.col(name) ** 2 + pl.col(f"{name}_before") ** 2).sqrt()
        return pl.when(shared).then(0.0).otherwise(root) if shared else root

    def told(what: str, *, shared: str) -> pl.Expr:
        return (
            pl.when(shared)
            .then(pl.lit(f"one {what} on both sides: it cancels"))
            .otherwise(pl.lit(f"two {what}s: both count"))
        )

    means = {
        f"repeatability_pct{side}": pl.col(f"repeatability_pct{side}")
        / pl.col(f"replicates{side}").sqrt()
        for side in ("", "_before")
    }
    rows = (
        pairs.with_columns(**means)
        .with_columns(
            stage=pl.lit(STEP),
            reference_u_pct=both("reference_u_pct", shared="one_reference"),
            bowl_u_pct=both("bowl_u_pct", shared="one_bowl"),
            air_left_pct=both("air_left_pct"),
            resolution_pct=both("resolution_pct"),
            repeatability_pct=both("repeatability_pct"),
            operator_u_pct=both("operator_u_pct", shared="one_operator"),
            replicates=pl.lit(1, dtype=pl.Int64),
            reference_basis=pl.when(pl.col("reference_u_pct") > 0)
            .then(told("calibration", shared="one_reference"))
            .otherwise("reference_basis"),
            bowl_basis=pl.when(pl.col("bowl_u_pct") > 0)
            .then(told("measurement of the bowl", shared="one_bowl"))
            .otherwise("bowl_basis"),
            operator_basis=pl.when(pl.col("operator_u_pct") > 0)
            .then(told("operator", shared="one_operator"))
            .otherwise("operator_basis"),
        )
        .drop("u_pct", "freedom", "coverage_factor", "expanded_u_pct", strict=False)
    )
    return budget_rows(with_uncertainty(rows))


def _part(
    component: str,
    value: pl.Expr,
    *,
    basis: pl.Expr,
    distribution: str = "normal",
    freedom: pl.Expr | None = None,
) -> dict[str, pl.Expr]:
    """Return the columns of one input quantity."""
    u = value / float(np.sqrt(3)) if distribution == "rectangular" else value
    return {
        "component": pl.lit(component),
        "value": value,
        "distribution": pl.lit(distribution),
        "standard_u_pct": u,
        "sensitivity": pl.lit(1.0),
        "degrees_of_freedom": pl.lit(None, dtype=pl.Float64) if freedom is None else freedom,
        "contribution_pct": u,
        "share": (u / pl.col("u_pct")) ** 2,
        "basis": basis,
    }


def _stacked(sittings: pl.DataFrame, parts: list[dict[str, pl.Expr]]) -> pl.DataFrame:
    """Return the parts of each row below each other."""
    rows = [
        sittings.select(
            "meter_id",
            "point_pct",
            "stage",
            place=pl.lit(place),
            visit_on="performed_on",
            **{
                name: part.get(name, pl.lit(None, dtype=kind)).cast(kind)
                for name, kind in UNCERTAINTY.items()
                if name not in {"meter_id", "point_pct", "stage", "visit_on"}
            },
        )
        for place, part in enumerate(parts)
    ]
    return (
        pl.concat(rows).sort("meter_id", "point_pct", "stage", "place").select(UNCERTAINTY.keys())
    )


def bias_uncertainty(
    *,
    reference_u: pl.Expr,
    bowl_u: pl.Expr | float = 0.0,
    air_left: pl.Expr | float = 0.0,
    resolution: pl.Expr,
    repeatability: pl.Expr,
    replicates: pl.Expr,
    operator_sd: pl.Expr | float,
) -> pl.Expr:
    """Return the combined standard uncertainty of each bias, % air; null where an input is.

    Parameters
    ----------
    reference_u, repeatability : pl.Expr
        Standard uncertainty of the correct air content; standard deviation of one reading before
        rounding.  Where that was computed from rounded readings it already holds the rounding, and
        the result errs on the safe side.
    bowl_u : pl.Expr or float
        Standard uncertainty of the correct air content by the bowl.
    air_left : pl.Expr or float
        Most air left in a bowl called full of water, a half-width.
    resolution, replicates : pl.Expr
        Step the dial is read to; readings averaged, at least 1.
    operator_sd : pl.Expr or float
        Standard deviation between operators, % air.

    Notes
    -----
    Replicates of one sitting share their rounding error more often than not (a dial read to 0.1
    with little scatter shows the same figure each time), so it is not divided by their number.
    """
    return (
        reference_u**2
        + bowl_u**2
        + air_left**2 / 3
        + resolution**2 / 12
        + repeatability**2 / replicates
        + operator_sd**2
    ).sqrt()
