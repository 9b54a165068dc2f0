"""Rules on charted points: each with a firing and a silent example, and against a naive reading."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.limits.charts.shape import CHARTED
from drift.limits.rules import FINDINGS, RULES, Rule, apply_rules, rules_named
from drift.limits.signals import sentence

NAMES = tuple(rule.name for rule in RULES)


@dataclass(frozen=True)
class Example:
    """Values about a centre of 0 with limits at ±3; visits where the rule speaks; silent values."""

    fires: list[float]
    at: list[int]
    silent: list[float]


EXAMPLES = {
    "beyond_limits": Example(
        fires=[0.2, -3.1, 1.0, 3.0, 3.2], at=[2, 5], silent=[2.9, -3.0, 3.0, -2.9]
    ),
    "two_of_three_outer": Example(
        fires=[2.1, 0.0, 2.2, -1.0, -2.5, -2.1, -2.3, 0.5, -2.4],
        at=[3, 6, 9],
        silent=[2.1, 0.0, 0.0, 2.2, -2.5, 2.0, 1.9],
    ),
    "four_of_five_middle": Example(
        fires=[1.1, 1.2, -0.5, 1.3, 1.4, 0.0, -1.1, -1.2, -1.3, -3.5],
        at=[5, 10],
        silent=[1.1, 1.2, 0.5, 1.3, 0.9, 1.4, 1.0, 1.0, -1.5, -1.5, 0.0, -1.5],
    ),
    "long_run_one_side": Example(
        fires=[0.1] * 17, at=[8, 16], silent=[0.1] * 7 + [0.0] + [0.2] * 7 + [-0.1] * 7
    ),
    "steady_climb": Example(
        fires=[-1.0, -0.5, 0.0, 0.3, 0.9, 1.5, 1.2, 0.6, 0.2, 0.0, -0.4],
        at=[6, 11],
        silent=[-1.0, -0.5, 0.0, 0.3, 0.9, 0.9, 1.2, 1.5, 1.6, 1.7, 1.0],
    ),
    "wide_swing": Example(
        fires=[2.1, -2.2, 2.3, 0.0, -2.5, 2.6],
        at=[2, 6],
        silent=[2.1, 2.2, 0.0, -2.3, 1.9, -2.0],
    ),
}


def charted(
    values: list[float], *, chart: str = "individuals", series: int = 0, phase: int = 1
) -> pl.DataFrame:
    rows = len(values)
    return pl.DataFrame(
        {
            "series": [series] * rows,
            "chart": [chart] * rows,
            "visit": range(1, rows + 1),
            "t_years": np.arange(rows) / 4,
            "phase": [phase] * rows,
            "value": values,
            "centre": [0.0] * rows,
            "lower": [-3.0] * rows,
            "upper": [3.0] * rows,
            "in_baseline": [False] * rows,
        },
        schema=CHARTED,
    )


# Points that complete a rule's pattern at the earliest, by its definition.
FEWEST_POINTS = {
    "beyond_limits": 1,
    "two_of_three_outer": 2,
    "four_of_five_middle": 4,
    "long_run_one_side": 8,
    "steady_climb": 6,
    "wide_swing": 2,
}


def spoken_at(points: pl.DataFrame, name: str) -> list[int]:
    return apply_rules(points, rules=(name,))["visit"].to_list()


def test_every_rule_has_a_firing_and_a_silent_example() -> None:
    """A rule without both examples fails here, and so does an example without a rule."""
    assert set(EXAMPLES) == set(NAMES)
    assert all(example.fires and example.at and example.silent for example in EXAMPLES.values())


@pytest.mark.parametrize("name", NAMES)
def test_firing_example(name: str) -> None:
    """A rule speaks at the visits that complete its pattern, on either side of the centre."""
    example = EXAMPLES[name]
    assert spoken_at(charted(example.fires), name) == example.at
    assert spoken_at(charted([-value for value in example.fires]), name) == example.at


@pytest.mark.parametrize("name", NAMES)
def test_silent_example(name: str) -> None:
    """A rule that sees nothing stays silent."""
    example = EXAMPLES[name]
    assert spoken_at(charted(example.silent), name) == []


@pytest.mark.parametrize("rule", RULES, ids=NAMES)
def test_fewest_points_can_fire(rule: Rule) -> None:
    """With one point less than it needs no series makes a rule speak; with as many one does."""
    needed = FEWEST_POINTS[rule.name]
    loud = [[3.5, -3.5], [3.5] * 20, [step / 9 for step in range(20)]]
    assert any(spoken_at(charted(values[:needed]), rule.name) for values in loud)
    assert not any(
        spoken_at(charted(values[:fewer]), rule.name)
        for values in loud
        for fewer in range(1, needed)
    )


def test_every_rule_explains_itself() -> None:
    """A row of the table carries what a page and the documents print, and a source."""
    for rule in RULES:
        texts = (rule.title, rule.detects, rule.matters, rule.misleads, rule.source)
        assert all(len(text) > 10 for text in texts)
        assert any(character.isdigit() for character in rule.source)


def test_unknown_rule_names_the_nearest() -> None:
    """The message of an unknown rule gives the nearest name."""
    with pytest.raises(ValueError, match="'beyond_limit': did you mean 'beyond_limits'"):
        apply_rules(charted([0.0]), rules=("beyond_limit",))
    with pytest.raises(ValueError, match="did you mean 'long_run_one_side'"):
        rules_named(("long_run",))


def test_rules_do_not_cross_a_phase_a_chart_or_a_series() -> None:
    """Eight points on one side that belong to two phases, charts or series are no run."""
    first = charted([0.5] * 4)
    later = pl.col("visit") + 4
    for second in (
        charted([0.5] * 4, phase=2),
        charted([0.5] * 4, series=1),
        charted([0.5] * 4, chart="mean"),
    ):
        assert spoken_at(pl.concat([first, second.with_columns(later)]), "long_run_one_side") == []
    whole = pl.concat([first, first.with_columns(later)])
    assert spoken_at(whole, "long_run_one_side") == [8]


def test_run_rules_are_for_independent_points() -> None:
    """Weighted means resemble their neighbours, so that only their limits can speak."""
    points = charted([0.5] * 12, chart="ewma")
    assert spoken_at(points, "long_run_one_side") == []
    assert spoken_at(charted([4.0], chart="a chart not known yet"), "beyond_limits") == [1]


@pytest.mark.parametrize("column", ["centre", "upper"])
@pytest.mark.parametrize("missing", [None, math.nan])
def test_points_without_limits_are_not_judged(column: str, missing: float | None) -> None:
    """A chart that cannot say where its limits lie finds nothing."""
    points = charted([9.0, 9.0]).with_columns(pl.lit(missing, dtype=pl.Float64).alias(column))
    points = points.with_columns(lower=pl.lit(None, dtype=pl.Float64))
    assert apply_rules(points, rules=NAMES).is_empty()


def test_limits_without_width_judge_nothing() -> None:
    """A band of no width would call every point out; no rule is applied to it."""
    flat = charted([0.0, 0.1]).with_columns(upper=pl.lit(0.0), lower=pl.lit(0.0))
    assert spoken_at(flat, "beyond_limits") == []


def test_a_missing_value_is_passed_over() -> None:
    """A visit without a value neither speaks nor breaks a run."""
    points = charted([0.5, 0.5, math.nan, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5])
    assert spoken_at(points, "long_run_one_side") == [9]
    gap = points.with_columns(pl.col("value").fill_nan(None))
    assert spoken_at(gap, "long_run_one_side") == [9]


def test_a_side_without_a_limit_cannot_be_passed() -> None:
    """A chart with an upper limit only never speaks of its low points."""
    points = charted([-9.0, 9.0]).with_columns(lower=pl.lit(None, dtype=pl.Float64))
    assert spoken_at(points, "beyond_limits") == [2]


def test_a_point_on_the_limit_has_not_passed_it() -> None:
    """0.1 + 0.2 exceeds 0.3 in binary but not on paper."""
    value = 0.1 + 0.2
    assert value > 0.3  # the trap is real
    points = charted([value, -value]).with_columns(upper=pl.lit(0.3), lower=pl.lit(-0.3))
    assert spoken_at(points, "beyond_limits") == []


def test_findings_name_the_bound_that_was_passed() -> None:
    """The limit of a finding is on the point's side: the control limit or the edge of a third."""
    points = charted([4.0, -4.0]).with_columns(
        centre=pl.lit(1.0), upper=pl.lit(2.5), lower=pl.lit(-3.5)
    )
    beyond = apply_rules(points, rules=("beyond_limits",))
    assert beyond["limit"].to_list() == [2.5, -3.5]
    swing = apply_rules(points, rules=("wide_swing",))
    assert swing["limit"].to_list() == [pytest.approx(1.0 - 3.0)]
    middle = apply_rules(charted([1.5] * 4), rules=("four_of_five_middle",))
    assert middle["limit"].to_list() == [pytest.approx(1.0)]
    run = apply_rules(charted([1.5] * 8), rules=("long_run_one_side",))
    assert run["limit"].to_list() == [None]
    for found in (beyond, swing, middle, run):
        assert dict(found.schema) == FINDINGS


def test_no_rules_or_no_points_find_nothing() -> None:
    """Empty input gives empty frames of the right shape."""
    nothing = pl.DataFrame(schema=CHARTED)
    for found in (apply_rules(nothing, rules=NAMES), apply_rules(charted([9.0]), rules=())):
        assert found.is_empty()
        assert dict(found.schema) == FINDINGS


def _side(value: float, least: float) -> int:
    return int(value > least) - int(value < -least)


def _windowed(values: list[float], *, least: float, need: int, window: int) -> list[int]:
    """Look back from every point by hand; what a finding has used is not used again."""
    found, used = [], 0
    for last in range(1, len(values) + 1):
        recent = [_side(value, least) for value in values[max(used, last - window) : last]]
        if recent[-1] and recent.count(recent[-1]) >= need:
            found.append(last)
            used = last
    return found


def _climbs(values: list[float]) -> list[int]:
    found, start = [], 0
    for last in range(1, len(values)):
        rise = _side(values[last] - values[last - 1], 0)
        if not rise or (last - 1 > start and rise != _side(values[last - 1] - values[last - 2], 0)):
            start = last if not rise else last - 1
        if last - start == 5:
            found.append(last + 1)
            start = last
    return found


def _swings(values: list[float]) -> list[int]:
    found: list[int] = []
    for last in range(2, len(values) + 1):
        before, now = _side(values[last - 2], 2), _side(values[last - 1], 2)
        if now and before == -now and last - 1 not in found:
            found.append(last)
    return found


NAIVE: dict[str, Callable[[list[float]], list[int]]] = {
    "beyond_limits": lambda values: [at for at, v in enumerate(values, 1) if abs(v) > 3],
    "two_of_three_outer": lambda values: _windowed(values, least=2, need=2, window=3),
    "four_of_five_middle": lambda values: _windowed(values, least=1, need=4, window=5),
    "long_run_one_side": lambda values: _windowed(values, least=0, need=8, window=8),
    "steady_climb": _climbs,
    "wide_swing": _swings,
}


@pytest.mark.parametrize("name", NAMES)
def test_machines_agree_with_looking_back_by_hand(name: str) -> None:
    """On 400 random series of one to sixty visits each rule equals a naive loop over windows."""
    generator = np.random.default_rng(20)
    batch, expected = [], []
    for series in range(400):
        length = int(generator.integers(1, 61))
        level, slope = generator.normal(0, 1), generator.normal(0, 0.2)
        values = generator.normal(level, 1.2, length) + slope * np.arange(length)
        if series % 2:
            values = np.round(values * 2) / 2  # ties, and points on the bounds
        batch.append(charted(values.tolist(), series=series))
        expected += [(series, visit) for visit in NAIVE[name](values.tolist())]
    found = apply_rules(pl.concat(batch).sample(fraction=1.0, shuffle=True, seed=3), rules=(name,))
    assert list(found.select("series", "visit").iter_rows()) == expected
    assert expected


@settings(max_examples=30, deadline=None)
@given(
    values=st.lists(st.integers(-40, 40), min_size=1, max_size=30),
    shift=st.integers(-50, 50),
    exponent=st.integers(-6, 6),
)
def test_shift_and_scale_change_no_finding(values: list[int], shift: int, exponent: int) -> None:
    """Moving lines and values together, or changing the unit, leaves the findings as they are."""
    points = charted([value / 8 for value in values])
    moved = points.with_columns(
        (pl.col("value", "centre", "lower", "upper") + shift) * 2.0**exponent
    )
    said = ("rule", "visit")
    expected = apply_rules(points, rules=NAMES).select(said)
    assert apply_rules(moved, rules=NAMES).select(said).equals(expected)


def test_rounding_never_makes_a_run_rule_speak_first() -> None:
    """Where a run rule speaks on rounded readings it had already spoken on the unrounded ones."""
    generator = np.random.default_rng(8)
    runs = ("two_of_three_outer", "four_of_five_middle", "long_run_one_side", "steady_climb")
    visits, fleet = 40, 500
    values = generator.normal(0.02, 0.04, (fleet, visits)).cumsum(axis=1) * 0.2
    exact = pl.concat(
        [charted(row.tolist(), series=series) for series, row in enumerate(values)]
    ).with_columns(centre=pl.lit(0.013), lower=pl.lit(-0.107), upper=pl.lit(0.133))
    read = exact.with_columns(
        value=(pl.col("value") / 0.05).round() * 0.05, resolution_pct=pl.lit(0.05)
    )
    first = pl.col("visit").min()
    on_exact = apply_rules(exact, rules=runs).group_by("series", "rule").agg(exact=first)
    on_read = apply_rules(read, rules=runs).group_by("series", "rule").agg(read=first)
    both = on_read.join(on_exact, on=["series", "rule"], how="left")
    assert len(both) > 200
    assert both["exact"].null_count() == 0
    assert (both["read"] >= both["exact"]).all()
    # Taken at face value the same readings do raise false runs.
    blind = apply_rules(read.drop("resolution_pct"), rules=runs).group_by("series", "rule")
    faced = blind.agg(read=first).join(on_exact, on=["series", "rule"], how="left")
    assert faced.filter(pl.col("exact").is_null() | (pl.col("read") < pl.col("exact"))).height > 20


@pytest.mark.parametrize("name", NAMES)
def test_every_rule_has_a_sentence(name: str) -> None:
    """A finding reads as one sentence with its date, its number and the unit."""
    text = sentence(name, chart="individuals", value=-0.142, limit=-0.11, on="4 Mar 2025")
    assert text.endswith(".")
    assert text.count(". ") == 0
    for part in ("4 Mar 2025", "−0.142", "air", "as-found bias"):
        assert part in text
    bounded = rules_named((name,))[0].bound_third > 0
    assert ("below" in text and "−0.110" in text) is bounded


def test_sentence_of_a_run_tells_the_side_where_it_knows_the_centre() -> None:
    """A run has no limit, so that its side comes from the centre."""
    said = {"chart": "mean", "value": 0.02, "limit": None, "on": "1 May 2024"}
    without = sentence("long_run_one_side", **said)  # type: ignore[arg-type]  # as a caller would
    with_centre = sentence("long_run_one_side", centre=0.05, **said)  # type: ignore[arg-type]
    assert "on one side of the centre line" in without
    assert "below the centre line" in with_centre


def test_sentence_of_a_spread_carries_no_sign() -> None:
    """A scatter is no bias: it is written without a plus."""
    text = sentence("beyond_limits", chart="moving_range", value=0.2, limit=0.15, on="1 May 2024")
    assert "+" not in text
    assert "above the upper control limit of 0.150" in text


def test_sentence_of_an_unknown_rule() -> None:
    """A rule without a sentence is an error, not an empty cell."""
    with pytest.raises(ValueError, match="no sentence is known"):
        sentence("unheard_of", chart="mean", value=0.1, limit=None, on="1 May 2024")
