"""Variance components of studies against published cases, general libraries and known truth."""

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest
from statsmodels.formula.api import mixedlm, ols
from statsmodels.stats.anova import anova_lm

from drift.reference.studies.components import (
    RESIDUAL,
    Parts,
    VariancePart,
    estimate_parts,
    sum_freedom,
)
from tests.published.reference_tables import column, expected

Floats = npt.NDArray[np.float64]
Codes = dict[str, npt.NDArray[np.int64]]


def codes(values: Floats) -> npt.NDArray[np.int64]:
    return values.astype(np.int64)


def named(parts: Parts) -> dict[str, VariancePart]:
    return {part.name: part for part in parts.rows}


def test_penicillin_is_a_crossed_study() -> None:
    """Plates and samples, crossed (Davies & Goldsmith 1972; values of Bates, lme4 book)."""
    table, known = "k_penicillin_crossed", expected("k_penicillin_crossed_expected", "published")
    factors = {name: codes(column(table, name)) for name in ("plate", "sample")}
    parts = estimate_parts(column(table, "diameter"), factors)
    found = named(parts)
    for name, key in (("plate", "plate"), ("sample", "sample"), (RESIDUAL, "residual")):
        assert found[name].variance ** 0.5 == pytest.approx(known[f"reml_sd_{key}"], abs=1e-4)
    assert parts.criterion == pytest.approx(known["reml_criterion"], abs=1e-4)
    assert (parts.mean, parts.mean_u) == pytest.approx((known["mean"], known["se_mean"]), abs=1e-4)
    assert [part.contrasts for part in parts.rows] == [23, 5, 115]


def test_pastes_are_a_nested_study() -> None:
    """Casks within batches (Davies; values of Bates, lme4 book)."""
    table, known = "k_pastes_nested", expected("k_pastes_nested_expected", "published")
    batch, cask = column(table, "batch"), column(table, "cask")
    found = named(
        estimate_parts(
            column(table, "strength"),
            {"batch": codes(batch), "cask": codes(10 * batch + cask)},
        )
    )
    assert found["cask"].variance == pytest.approx(known["reml_var_cask_in_batch"], abs=1e-3)
    assert found["batch"].variance == pytest.approx(known["reml_var_batch"], abs=1e-3)
    assert found[RESIDUAL].variance == pytest.approx(known["reml_var_residual"], abs=1e-3)
    assert found["batch"].low == 0.0  # so it is in the lme4 book's profile, too


def test_dyestuff_has_the_intervals_of_exact_theory() -> None:
    """One way, balanced: estimates as published, the residual's interval exact by χ²."""
    table, response = "k_dyestuff", "yield_g"
    known = expected(f"{table}_expected", "published")
    found = named(estimate_parts(column(table, response), {"batch": codes(column(table, "batch"))}))
    assert found["batch"].variance == pytest.approx(known["reml_var_batch"], abs=0.5)
    residual = found[RESIDUAL]
    assert residual.freedom == pytest.approx(24)
    # χ² with 24 degrees of freedom: 12.4012 and 39.3641 (tables).
    assert residual.low == pytest.approx(24 * residual.variance / 39.3641, rel=1e-4)
    assert residual.high == pytest.approx(24 * residual.variance / 12.4012, rel=1e-4)
    # Satterthwaite from the mean squares: σ⁴ over the variance of (MSb − MSw)/5.
    between, within = 11271.5, 2451.25
    spread = (2 * between**2 / 5 + 2 * within**2 / 24) / 25
    assert found["batch"].freedom == pytest.approx(2 * 1764.05**2 / spread, rel=1e-3)


def test_a_component_at_zero_has_an_upper_limit() -> None:
    """Box & Tiao's batches: none found, yet there may be some."""
    table = "k_dyestuff2_boundary"
    found = named(estimate_parts(column(table, "yield"), {"batch": codes(column(table, "batch"))}))
    assert (found["batch"].variance, found["batch"].low, found["batch"].freedom) == (0, 0, None)
    assert 1 < found["batch"].high < 13.8
    assert found[RESIDUAL].variance == pytest.approx(13.8063, abs=1e-4)


def test_gum_h5_days_and_observations() -> None:
    """GUM H.5 (JCGM 100:2008, from memory): ten days of five observations of a voltage.

    Day means 10.000 V plus those below, standard deviations within days, both in µV.
    """
    means = np.array([172, 116, 13, 144, 106, 31, 60, 125, 163, 41], dtype=np.float64)
    within = np.array([60, 77, 111, 101, 67, 93, 80, 73, 88, 86], dtype=np.float64)
    pattern = np.array([-2.0, -1, 0, 1, 2]) / np.sqrt(2.5)
    values = (means[:, None] + within[:, None] * pattern).ravel()
    parts = estimate_parts(values, {"day": np.repeat(np.arange(10), 5)})
    found = named(parts)
    assert parts.mean == pytest.approx(97, abs=0.2)
    assert found[RESIDUAL].variance ** 0.5 == pytest.approx(85, abs=0.5)
    assert found[RESIDUAL].freedom == pytest.approx(40)
    assert found["day"].variance ** 0.5 == pytest.approx(43, abs=0.5)
    assert parts.mean_u == pytest.approx(18, abs=0.5)  # 57 µV/√10, 9 degrees of freedom


def test_handbook_levels_of_a_check_standard() -> None:
    """e-Handbook 2.6.2 (resistivity): level 1 within days, level 2 of day means."""
    table, known = "b_ehb_262_resistivity", expected("b_ehb_262_resistivity_expected")
    means, sds = column(table, "check_standard_ohm_cm"), column(table, "short_term_sd")
    pattern = np.array([-2.5, -1.5, -0.5, 0.5, 1.5, 2.5]) / np.sqrt(3.5)
    values = (means[:, None] + sds[:, None] * pattern).ravel()
    found = named(estimate_parts(values, {"day": np.repeat(np.arange(len(means)), 6)}))
    level_1, day = found[RESIDUAL], found["day"]
    assert level_1.variance**0.5 == pytest.approx(known["level1_sd_pooled"], rel=1e-4)
    assert (day.variance + level_1.variance / 6) ** 0.5 == pytest.approx(
        known["level2_sd"], rel=2e-3
    )


def unbalanced(seed: int) -> tuple[Floats, Codes]:
    """Three operators, six meters, some pairs read more often than others."""
    chance = np.random.default_rng(seed)
    pairs = [(i, j) for i in range(3) for j in range(6)]
    both = np.repeat(np.array(pairs), chance.integers(1, 4, 18), axis=0)
    operator, meter = both[:, 0], both[:, 1]
    value = chance.normal(0, 0.03, 3)[operator] + chance.normal(0, 0.05, 6)[meter]
    return value + chance.normal(0, 0.02, len(value)), {"operator": operator, "meter": meter}


@pytest.mark.parametrize("seed", [1, 2])
def test_unbalanced_estimates_are_those_of_mixedlm(seed: int) -> None:
    """Statsmodels' MixedLM, where it converges away from zero."""
    value, factors = unbalanced(seed)
    unit = 0.05  # near unit size, where it converges
    found = named(estimate_parts(value, factors))
    data = pd.DataFrame({"value": value / unit, **factors, "one": np.ones(len(value))})
    fit = mixedlm(
        "value ~ 1",
        data,
        groups="one",
        vc_formula={"operator": "0 + C(operator)", "meter": "0 + C(meter)"},
    ).fit(reml=True, method=["lbfgs"])
    assert fit.scale * unit**2 == pytest.approx(found[RESIDUAL].variance, rel=2e-3)
    theirs = dict(zip(fit.model.exog_vc.names, fit.vcomp, strict=True))
    for name in ("operator", "meter"):
        assert theirs[name] * unit**2 == pytest.approx(found[name].variance, rel=2e-2)


def test_balanced_estimates_are_those_of_anova_lm() -> None:
    """Mean squares of statsmodels' anova_lm solved for the components."""
    chance = np.random.default_rng(3)
    operator, meter, _ = (index.ravel() for index in np.indices((3, 6, 4)))
    value = chance.normal(0, 0.03, 3)[operator] + chance.normal(0, 0.05, 6)[meter]
    value = value + chance.normal(0, 0.02, (3, 6))[operator, meter]
    value = value + chance.normal(0, 0.02, len(value))
    table = anova_lm(
        ols(
            "value ~ C(operator) * C(meter)",
            pd.DataFrame({"value": value, "operator": operator, "meter": meter}),
        ).fit()
    )
    squares = table["mean_sq"]
    found = named(
        estimate_parts(value, {"operator": operator, "meter": meter, "both": 10 * operator + meter})
    )
    both = squares["C(operator):C(meter)"]
    assert found[RESIDUAL].variance == pytest.approx(squares["Residual"], rel=1e-4)
    assert found["both"].variance == pytest.approx((both - squares["Residual"]) / 4, rel=1e-3)
    assert found["operator"].variance == pytest.approx(
        (squares["C(operator)"] - both) / 24, rel=1e-3
    )
    assert found["meter"].variance == pytest.approx((squares["C(meter)"] - both) / 12, rel=1e-3)
    # Satterthwaite of a sum, from independent mean squares.
    variance, freedom = sum_freedom(estimate_parts(value, {"operator": operator}), [RESIDUAL])
    assert freedom == pytest.approx(69)
    assert variance > 0


def test_what_a_design_cannot_tell_is_named() -> None:
    """Each operator with one meter; one reading a pair; one operator; a linear combination."""
    chance = np.random.default_rng(4)
    six = np.repeat(np.arange(6), 3)
    own = estimate_parts(chance.normal(size=18), {"operator": six, "meter": six})
    assert named(own)["operator"].with_ == ("meter",)
    operator, meter = (index.ravel() for index in np.indices((3, 6)))
    single = estimate_parts(
        chance.normal(size=18),
        {"operator": operator, "meter": meter, "both": 10 * operator + meter},
    )
    assert named(single)[RESIDUAL].with_ == ("both",)
    alone = estimate_parts(chance.normal(size=18), {"operator": 0 * six, "meter": six})
    assert alone.left_out == {"operator": "there is one only"}
    # Vessel is fixed and each operator had a vessel of his own: nothing is left of operators.
    fixed = np.eye(3)[operator]
    apart = estimate_parts(
        chance.normal(size=18), {"operator": operator, "meter": meter}, fixed=fixed
    )
    assert apart.left_out == {"operator": "the design cannot tell it from the rest"}


def test_nothing_scatters() -> None:
    """Readings that are all one have no components, and that is said by raising."""
    with pytest.raises(ValueError, match="without error"):
        estimate_parts(np.zeros(12), {"meter": np.repeat(np.arange(4), 3)})


def coverage(sd: float, *, times: int, seed: int) -> tuple[float, float]:
    """Return how often the intervals of operator and residual hold the truth."""
    chance = np.random.default_rng(seed)
    operator, meter, _ = (index.ravel() for index in np.indices((3, 6, 2)))
    held = np.zeros((times, 2))
    for one in range(times):
        value = chance.normal(0, sd, 3)[operator] + chance.normal(0, 0.05, 6)[meter]
        value = value + chance.normal(0, 0.03, len(value))
        found = named(estimate_parts(value, {"operator": operator, "meter": meter}))
        for place, (name, true) in enumerate((("operator", sd), (RESIDUAL, 0.03))):
            held[one, place] = found[name].low <= true**2 <= found[name].high
    share = held.mean(axis=0)
    return float(share[0]), float(share[1])


def test_intervals_hold_the_truth() -> None:
    """95 % intervals, three operators: 34 of 40 at least, three standard errors below."""
    operators, residual = coverage(0.03, times=40, seed=5)
    assert operators >= 0.85
    assert residual >= 0.85


@pytest.mark.long
@pytest.mark.parametrize("sd", [0.0, 0.01, 0.03, 0.1])
def test_intervals_hold_the_truth_at_every_size(sd: float) -> None:
    """The same over 600 studies a size, at zero too."""
    operators, residual = coverage(sd, times=600, seed=6)
    assert operators >= 0.93
    assert 0.93 <= residual <= 0.975
