"""The charts of a review: phases told, marks placed and judged, named dates, every chart drawn."""

from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest

from drift.format import bias, day
from drift.limits.baseline_change import COMPARED, tell_phases
from drift.limits.charting import Charts, draw_charts, full_baseline
from drift.limits.charts.mark import place_marks
from drift.limits.choices import MARKS, REPLICATES, SINGLE_POINTS
from drift.limits.signals import name_mark_signals, name_signals
from drift.meter.ledger import build_ledger
from drift.report.pages.dossier_mark import mark_story
from drift.review.policy import Policy, read_policy
from tests.sittings import START, sessions, sitting, table

Rows = list[dict[str, object]]


def ledger_of(rows: Rows, *, marks: pl.DataFrame, service: pl.DataFrame) -> pl.DataFrame:
    return build_ledger(
        sessions(rows),
        marks=marks,
        service=service,
        meters=table("meters"),
        resolution_pct=0.1,
        vessels=table("vessels"),
    )


def moved(
    meter: str, day: int, place: float, action: str = "moved", **more: object
) -> dict[str, object]:
    on = START + timedelta(days=day)
    return {"meter_id": meter, "performed_on": on, "mark": place, "action": action, **more}


def charts_of(
    rows: Rows, *, marks: Rows | None = None, policy: Policy | None = None
) -> tuple[Charts, pl.DataFrame]:
    placed, service = table("marks", marks or []), table("service")
    ledger = ledger_of(rows, marks=placed, service=service)
    drawn = draw_charts(ledger, marks=placed, service=service, policy=policy or Policy())
    return drawn, ledger


def quarters(meter: str, biases: list[float]) -> Rows:
    """Return visits with two replicates each."""
    return [sitting(91 * at, [bias, bias + 0.05], meter=meter) for at, bias in enumerate(biases)]


STEADY = [0.0, 0.05, 0.0, -0.05, 0.05, 0.0, 0.1, 0.0, -0.05, 0.05]


def test_what_was_compared_is_told_in_numbers() -> None:
    """A mark moved before the ninth visit: F and t of two visits against seven."""
    fleet = [row for meter in "ABCDEF" for row in quarters(meter, STEADY)]
    drawn, ledger = charts_of(fleet, marks=[moved("A", 91 * 7 + 1, -3.0)])
    told = tell_phases(drawn.phases, drawn.since, ledger=ledger, levels=(0.1, 0.01))
    assert told.schema == COMPARED
    row = told.row(0, named=True)
    assert (row["meter_id"], row["phase"], row["compared"]) == ("A", 2, "new phase")
    assert row["began_on"] == START + timedelta(days=91 * 8)
    assert row["why"].startswith("mark moved")
    assert row["verdict"] == "goes_on"
    assert row["limits_phase"] == 1
    sentence = row["sentence"].replace("\u2212", "-")
    first = "No change is seen, so the earlier limits stay in force. 2 visits against 7: spread as "
    assert sentence.startswith(first + "before (F ")
    assert f"t {row['t']:.2f}, {row['t_df']:.0f} df, p {row['t_p']:.2f}" in sentence


def test_visits_since_a_baseline_are_compared_with_it() -> None:
    """Seven steady visits, then seven 0.3 higher: the level changed, and nobody is to pool them."""
    drawn, ledger = charts_of(quarters("A", STEADY[:7] + [each + 0.3 for each in STEADY[:7]]))
    told = tell_phases(drawn.phases, drawn.since, ledger=ledger, levels=(0.1, 0.01))
    assert told.select("compared", "verdict").rows() == [("since the baseline", "level_differs")]
    first = "The level has changed: find out why, and do not pool later visits with the baseline."
    assert told["sentence"][0].startswith(first)
    assert "level changed" in told["sentence"][0]


@pytest.mark.parametrize("name", SINGLE_POINTS + REPLICATES + MARKS)
def test_every_chart_can_be_asked_for(name: str) -> None:
    """Each chart of the family by itself: its points, its limits and a sentence on them."""
    fleet = [row for meter in "ABCDEFG" for row in quarters(meter, STEADY)]
    marks = [moved(meter, 91 * at, -3 - 0.01 * at) for meter in "ABCDEFG" for at in range(3)]
    drawn, _ = charts_of(fleet, marks=marks, policy=Policy(charts=(name,)))
    charted = drawn.marks if name in MARKS else drawn.charted
    other = drawn.charted if name in MARKS else drawn.marks
    assert {chart.removesuffix("_high").removesuffix("_low") for chart in charted["chart"]} >= {
        name
    }
    assert other.is_empty()
    assert charted["upper"].count() + charted["lower"].count() > 0
    notes = drawn.marks["note"] if name in MARKS else drawn.limits["note"]
    assert all(notes)


def test_charts_of_scatter_run_through_adjustments_and_stop_at_another_gauge() -> None:
    """The mark moved twice and the gauge replaced once: two phases of scatter, more of level."""
    rows = quarters("A", STEADY + STEADY)
    marks = table("marks", [moved("A", 91 * 3 + 1, -3.0), moved("A", 91 * 5 + 1, -3.1)])
    service = table(
        "service",
        [
            {
                "meter_id": "A",
                "performed_on": START + timedelta(days=91 * 10 + 1),
                "action": "gauge_replaced",
            }
        ],
    )
    ledger = ledger_of(rows, marks=marks, service=service)
    policy = Policy(charts=("individuals", "repeatability"))
    drawn = draw_charts(ledger, marks=marks, service=service, policy=policy)
    phases = drawn.charted.group_by("chart").agg(pl.col("phase").unique().sort())
    assert dict(phases.iter_rows())["repeatability"] == [1, 2]
    assert ledger["phase"].max() == 4


def test_named_dates_set_the_baseline(tmp_path: Path) -> None:
    """The policy names 2025: its visits set the limits, the chart says which, wherever they lie."""
    path = tmp_path / "policy.toml"
    path.write_text("baseline_dates = [2025-01-01, '2025-12-31']\n", encoding="utf-8")
    policy = read_policy(path)
    assert policy.baseline_dates == ("2025-01-01", "2025-12-31")
    fleet = [row for meter in "ABCDEF" for row in quarters(meter, STEADY)]
    drawn, ledger = charts_of(fleet, policy=policy)
    inside = drawn.charted.filter(pl.col("chart") == "individuals").join(
        ledger.select("series", "visit", "performed_on"), on=["series", "visit"]
    )
    named = inside["performed_on"].dt.year() == 2025
    assert inside["in_baseline"].to_list() == named.to_list()
    assert named.sum() == 6 * 4
    limits = drawn.limits.filter(pl.col("chart") == "individuals")
    assert limits["points"].to_list() == [4] * 6
    assert limits["note"][0].startswith("Limits from the 4 visits of the baseline.")


def test_marks_are_placed_in_one_unit_and_phases() -> None:
    """Psi become kPa; a new gauge, a mark established anew and another unit begin a phase."""
    marks = table(
        "marks",
        [
            moved("A", 0, -3.0, "established"),
            moved("A", 91, -3.1),
            moved("A", 182, -3.1, "verified"),
            moved("A", 273, -2.0, "established"),
            moved("B", 0, 10.0, "established", mark_unit="psi"),
            moved("B", 91, 70.0, "moved", mark_unit="kpa"),
            moved("B", 182, -3.0, "verified"),
        ],
    )
    service = table(
        "service",
        [
            {
                "meter_id": "A",
                "performed_on": START + timedelta(days=100),
                "action": "gauge_replaced",
            }
        ],
    )
    ledger = ledger_of(quarters("A", STEADY), marks=marks, service=service)
    placed = place_marks(marks, service=service, ledger=ledger)
    assert placed["phase"].to_list() == [1, 1, 2, 3, 1, 1, 2]
    # 1 psi = 6.894757 kPa (exact from the definitions of the inch and the pound-force).
    assert placed["value"][4] == pytest.approx(68.94757, abs=1e-5)
    assert placed["unit"].to_list() == ["dial_pct"] * 4 + ["kpa", "kpa", "dial_pct"]


def test_a_mark_moved_too_far_is_a_signal_of_the_meter() -> None:
    """Twenty small moves and one of half a graduation: a signal with a lasting id and no point."""
    fleet, marks = [], []
    for at, meter in enumerate("ABCDEFG"):
        fleet += quarters(meter, STEADY)
        places = [-3.0, -3.02, -3.0, -3.02]
        if meter == "C":
            places[-1] = -3.5
        marks += [moved(meter, 91 * visit + at, place) for visit, place in enumerate(places)]
    drawn, _ = charts_of(fleet, marks=marks)
    signals = name_mark_signals(drawn.mark_findings, marks=drawn.marks)
    assert set(signals["meter_id"]) == {"C"}
    assert set(signals["chart"]) <= {"mark", "mark_moves"}
    assert signals["point_pct"].null_count() == signals.height
    assert signals["signal_id"].n_unique() == signals.height
    told = signals.filter(pl.col("chart") == "mark_moves")["sentence"][0].replace("\u00a0", " ")
    assert "the move of the initial pressure mark was \u22120.500 % on the dial" in told
    again = name_mark_signals(
        drawn.mark_findings.sample(fraction=1, shuffle=True, seed=1), marks=drawn.marks
    )
    assert again.equals(signals)


def test_six_moves_one_way_are_said_to_be_so() -> None:
    """Two-sided sign test of 6 of 6: 2 / 2⁶ = 3.1 %, the chance that the caption gives."""
    one_way = [moved("A", 91 * at, -3.0 - 0.04 * at) for at in range(7)]
    both = [moved("B", 91 * at, -3.0 - 0.04 * (at % 2)) for at in range(7)]
    drawn, _ = charts_of(quarters("A", STEADY) + quarters("B", STEADY), marks=one_way + both)
    stories = {
        meter: mark_story(
            drawn.marks.filter(pl.col("meter_id") == meter).to_dicts(), signals=0
        ).replace("\u00a0", " ")
        for meter in "AB"
    }
    assert "6 of 6 moves went down (by chance alone: 3 %)" in stories["A"]
    assert "leak or a tired spring" in stories["A"]
    assert "3 of 6 moves" in stories["B"]
    assert "leak" not in stories["B"]


def test_two_records_of_one_day_have_ids_of_their_own() -> None:
    """A mark moved far and back on one day gives signals that a response can tell apart."""
    marks = [
        moved(meter, 91 * at + 7 * number, -3.0 - 0.02 * (at % 2))
        for number, meter in enumerate("ABCDEFGHIJ")
        for at in range(5)
    ]
    marks += [moved("A", 900, -6.0), moved("A", 900, -3.0)]
    drawn, _ = charts_of(quarters("A", STEADY), marks=marks)
    signals = name_mark_signals(drawn.mark_findings, marks=drawn.marks)
    of_moves = signals.filter(pl.col("chart") == "mark_moves")
    assert of_moves["visit_on"].unique().to_list() == [START + timedelta(days=900)]
    assert of_moves["signal_id"].n_unique() == 2


def test_a_cusum_dates_the_shift_that_it_speaks_of() -> None:
    """A level 0.15 higher from the eleventh visit on: the signal says since when, by how much."""
    fleet = [row for meter in "ABCDEF" for row in quarters(meter, STEADY * 2)]
    raised = STEADY + [each + 0.15 for each in STEADY]
    drawn, ledger = charts_of(fleet + quarters("G", raised), policy=Policy(charts=("cusum",)))
    signals = name_signals(
        drawn.findings, ledger=ledger, charted=drawn.charted, onsets=drawn.onsets
    )
    assert signals["meter_id"].to_list() == ["G"]
    told = signals["sentence"][0].replace("\u00a0", " ")
    onset = drawn.onsets.row(0, named=True)
    began = START + timedelta(days=91 * 10)
    assert onset["onset_visit"] == 11
    when = day(began).replace("\u00a0", " ")
    assert told.endswith(f"by about {bias(onset['shift'])} % air, from the visit of {when} on.")
    assert onset["shift"] == pytest.approx(0.15, abs=0.05)


def test_without_marks_nothing_is_drawn() -> None:
    """No record of a mark is no chart and no failure."""
    drawn, _ = charts_of(quarters("A", STEADY))
    assert drawn.marks.is_empty()
    assert drawn.mark_findings.is_empty()


@pytest.mark.parametrize(
    ("dates", "now", "full"),
    [
        # Years since the epoch of a first visit and visits: early and few, late and few, late and
        # many.  Named dates make a phase within them whole once they are over.
        ((), 20.0, [False, False, True]),
        (("2010-01-01", "2011-12-31"), 20.0, [True, False, True]),
        (("2010-01-01", "2011-12-31"), 11.0, [False, False, True]),
    ],
)
def test_a_baseline_is_full_by_its_visits_or_by_the_dates_of_the_policy(
    dates: tuple[str, ...], now: float, full: list[bool]
) -> None:
    """A phase that begins after the named dates has its first visits, however few they are."""
    limits = pl.DataFrame({"first_t_years": [10.5, 13.0, 13.0], "points": [4, 4, 7]})
    policy = Policy(baseline_dates=dates)
    told = limits.select(full=full_baseline(policy, now=now))
    assert told["full"].to_list() == full
