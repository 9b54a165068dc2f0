"""What the pages say of uncertainty and conformity."""

import dataclasses

import polars as pl
import pytest

from drift.format import NO_BREAK, factor, rare
from drift.report.pages.dossier import DossierPage, dossier_page
from drift.report.pages.fleet import FleetPage, fleet_page
from drift.report.pages.lookup import reference_parts
from drift.review.policy import Policy
from drift.review.results import Review
from tests.fabricated_ids import DRIFTER, FRIENDLY, IMAGE, NEWCOMER
from tests.fabricated_review import fabricate


@pytest.fixture(scope="module")
def review() -> Review:
    return fabricate()


@pytest.fixture(scope="module")
def fleet(review: Review) -> FleetPage:
    return fleet_page(review)


@pytest.fixture(scope="module")
def dossier(review: Review) -> DossierPage:
    return dossier_page(review, DRIFTER)


def _plain(text: str) -> str:
    return text.replace(NO_BREAK, " ").replace("\u202f", " ")


def _under(review: Review, **choices: str) -> Review:
    policy = dataclasses.replace(review.policy, **choices)  # type: ignore[arg-type]  # two texts
    return dataclasses.replace(review, policy=policy)


@pytest.mark.parametrize(
    ("choices", "says"),
    [
        ({}, "simple acceptance. A bias within the tolerance passes"),
        ({}, "compared with ±0.1 % air by the absolute method of ASTM E29"),
        ({"comparison": "rounding"}, "by the rounding method of ASTM E29, first rounded"),
        ({"decision_rule": "guarded_by_u"}, "guarded by U. A bias passes only if"),
        ({"decision_rule": "guarded_by_083_u"}, "what the guard band leaves of it is no round"),
        ({"decision_rule": "four_way"}, "passes or fails conditionally"),
    ],
)
def test_the_rule_and_the_method_are_named(
    review: Review, choices: dict[str, str], says: str
) -> None:
    """Each rule and method of comparison is told on the fleet page and on the dossier alike."""
    under = _under(review, **choices)
    rule = fleet_page(under).conformity.rule
    assert says in _plain(rule[0])
    assert dossier_page(under, FRIENDLY).conformity.rule == rule


def test_control_and_conformity_are_told_apart(fleet: FleetPage, dossier: DossierPage) -> None:
    """Both pages say which question the part answers; the brief has a line for each verdict."""
    assert "To conform is not to be in control." in fleet.conformity.rule[1]
    begins = [line.split(":")[0] for line in dossier.brief]
    assert begins[:3] == ["Tolerance", "Conformity", "Control"]
    control = next(line for line in dossier.brief if line.startswith("Control"))
    assert "pass" not in control
    assert "fail" not in control


def test_the_last_visit_is_judged_bias_by_bias(review: Review, dossier: DossierPage) -> None:
    """Every bias of the last visit stands with its uncertainty, limit, verdict and probability."""
    verdicts = review.conformity.verdicts.filter(pl.col("meter_id") == DRIFTER)
    newest = verdicts.filter(pl.col("performed_on") == pl.col("performed_on").max())
    assert [row.bias for row in dossier.conformity.last] == newest["bias_pct"].to_list()
    assert {row.verdict for row in dossier.conformity.last} <= {"passes", "fails"}
    assert all(row.p_conform is not None for row in dossier.conformity.last)
    assert len(dossier.conformity.visits) == verdicts["visit_id"].n_unique()


def test_a_failing_bias_is_named_in_the_brief(review: Review) -> None:
    """With the last verdicts turned to fail, the sentence names point, rule and date."""
    failing = review.conformity.verdicts.with_columns(
        verdict=pl.when(pl.col("point_pct") == 5.0).then(pl.lit("fail")).otherwise("verdict")
    )
    turned = dataclasses.replace(
        review, conformity=dataclasses.replace(review.conformity, verdicts=failing)
    )
    line = next(
        line for line in dossier_page(turned, FRIENDLY).brief if line.startswith("Conformity")
    )
    assert _plain(line).startswith(
        "Conformity: as left on 27 Aug 2024 it fails at 5 % by the rule in force "
        "(simple acceptance)"
    )
    page = fleet_page(turned)
    in_use = sum(not row.retired for row in page.meters)
    assert page.conformity.counts.endswith(f": {in_use} meters fail.")


def test_the_budget_adds_up_to_its_bias(dossier: DossierPage) -> None:
    """One budget a point, its combined row with effective freedom and coverage factor."""
    assert [part.point_pct for part in dossier.conformity.budgets] == [0.0, 5.0]
    part = dossier.conformity.budgets[1]
    assert [row.component for row in part.rows] == ["reference"]
    assert (part.freedom, part.factor, part.expanded) == (31.5, 2.08, 0.0416)
    assert IMAGE in part.rows[0].basis


def test_steps_carry_their_uncertainty(review: Review, dossier: DossierPage) -> None:
    """The step since the visit before stands with U; a meter seen once has none."""
    step = review.ledger.filter((pl.col("meter_id") == DRIFTER) & (pl.col("point_pct") == 5.0))[
        "drift_step_pct"
    ][-1]
    assert f"{abs(step):.3f} ± 0.042 at 5 %" in _plain(dossier.conformity.steps)
    assert dossier_page(review, NEWCOMER).conformity.steps == ""


def test_exceptions_of_two_successive_readings_are_listed(
    review: Review, fleet: FleetPage, dossier: DossierPage
) -> None:
    """The visit whose readings did not agree is named on both pages."""
    bad = review.conformity.verdicts.filter(~pl.col("two_successive"))
    assert bad.height == fleet.conformity.exceptions_total > 0
    assert {row.meter_id for row in fleet.conformity.exceptions} == set(bad["meter_id"])
    assert "not on " in dossier.conformity.successive
    assert "nothing was read as left" in dossier_page(review, FRIENDLY).conformity.successive


def test_fleet_risks_are_told_or_not(review: Review, fleet: FleetPage) -> None:
    """The worst point speaks; where no point can be told of, that is said."""
    assert "0.40 % (at 5 %; 0.10 % to 2.0 %) pass a meter" in _plain(fleet.conformity.risk)
    assert "1.2 % (at 5 %) fail one" in _plain(fleet.conformity.risk)
    unknown = review.conformity.risks.filter(pl.col("point_pct") == 0.0)
    told = dataclasses.replace(
        review, conformity=dataclasses.replace(review.conformity, risks=unknown)
    )
    assert fleet_page(told).conformity.risk.startswith("Cannot say")


def test_names_that_may_be_one_are_pointed_out(review: Review, fleet: FleetPage) -> None:
    """Likely duplicates are named, with the space that tells two apart shown; none, no word."""
    assert "R. Example / r. example" in fleet.conformity.alike
    assert f"“{IMAGE} ”"[:20] in fleet.conformity.alike
    assert "never merged" in fleet.conformity.alike
    reference = dataclasses.replace(review.reference, alike=())
    without = dataclasses.replace(review, reference=reference)
    assert fleet_page(without).conformity.alike == ""


def test_mark_moves_and_hand_resets_are_weighed(review: Review, dossier: DossierPage) -> None:
    """The balance is one sentence with its numbers; an untouched meter has none."""
    balance = _plain(dossier.bench.balance)
    assert "at 5 % by \u22120.220 % air: 1 move of the mark by \u22120.120" in balance
    assert "2 resets of the hand by \u22120.100" in balance
    assert balance.endswith("Both went the same way: they add up.")
    assert dossier_page(review, FRIENDLY).bench.balance == ""


def test_small_probabilities_and_factors_in_words() -> None:
    """No risk is shown as 0 %; degrees of freedom lose what nobody needs."""
    assert [_plain(rare(x)) for x in (0.0, 0.0004, 0.01, None)] == [
        "under 0.01 %",
        "0.04 %",
        "1.0 %",
        "cannot say",
    ]
    assert [factor(x) for x in (3.0, 2.0834, 31.5, None)] == ["3", "2.08", "32", "cannot say"]


def test_the_default_rule_is_the_trades() -> None:
    """The governing standard states a limit without a guard band: simple acceptance."""
    assert Policy().decision_rule == "simple_acceptance"
    assert "`decision_rule` | simple_acceptance |" in reference_parts()["policy"]
