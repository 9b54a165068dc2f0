"""The retirement memo from source to files: what it weighs, what it cannot say, what it writes."""

import dataclasses
import json
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from click.testing import CliRunner

from drift.api.memos import retirement_memo
from drift.cli import commands
from drift.errors import DriftError
from drift.folders import report
from drift.report.memos import retirement_record, write_retirement
from drift.report.styles import shared_files
from drift.review.policy import Policy
from drift.review.results import Review
from drift.review.retirement import RetirementMemo, weigh_meters
from tests.csv_folders import readings, write
from tests.report.test_render import Outline, without_comments
from tests.sample_reviews import SampleReviews

SAMPLE = Path(__file__).resolve().parents[2] / "sample_history"
AS_OF = date(2026, 10, 1)
PRICED = dataclasses.replace(
    Policy(),
    retirement=dataclasses.replace(
        Policy().retirement,
        check_price=60.0,
        adjustment_price=25.0,
        failure_price=400.0,
        service_price=250.0,
        replacement_price=1400.0,
    ),
)
HOSTILE = "<script>harm()</script>"


def visits(meter: str, biases: list[float], *, first: date = date(2024, 1, 10)) -> list[str]:
    """Return rows of quarterly visits with one reading each at 5 %."""
    days = [first + timedelta(days=91 * place) for place in range(len(biases))]
    return [
        f"{meter},{on},as_found,5.0,{5 + bias:.2f}" for on, bias in zip(days, biases, strict=True)
    ]


def shown(page: Path) -> str:
    """Return the text of a page, spaces made plain."""
    outline = Outline(page.read_text(encoding="utf-8"))
    assert outline.unbalanced == []
    assert not {"img", "form"} & set(outline.tags)
    assert outline.values("rel") == ["stylesheet"]
    script = (page.parent / "assets" / "page.js").read_text(encoding="utf-8")
    assert script.splitlines()[1:] == without_comments(report("page.js"))
    ids = outline.values("id")
    assert len(ids) == len(set(ids))
    for href in outline.values("href"):
        target, _, anchor = href.partition("#")
        assert (page.parent / target).exists() if target else anchor in ids
    return outline.text.replace("\u00a0", " ").replace("\u202f", " ")


@pytest.fixture(scope="module")
def review(sample_on: SampleReviews) -> Review:
    return sample_on(AS_OF)


@pytest.fixture(scope="module")
def unpriced(review: Review) -> RetirementMemo:
    return weigh_meters(review, review.upkeep.present["meter_id"].to_list())


@pytest.fixture(scope="module")
def priced(review: Review) -> RetirementMemo:
    asked = ("AM-07", "AM-01")
    return weigh_meters(dataclasses.replace(review, policy=PRICED), asked, asked=asked)


def answers(memo: RetirementMemo) -> dict[str, str]:
    return dict(memo.weighed.advice.select("meter_id", "recommendation").iter_rows())


def test_planted_meters_are_advised_on_as_planted(unpriced: RetirementMemo) -> None:
    """The leaking AM-12 to service, AM-07 adjusted one way six times, AM-10 dried and good since.

    AM-06 drifts as steeply but was always adjusted before it was out; the retired AM-20 is not
    weighed.
    """
    found = answers(unpriced)
    assert found["AM-12"] == "service"
    assert found["AM-07"] == "check_more_often"
    assert [name for name, answer in found.items() if answer == "service"] == ["AM-12"]
    assert [found[name] for name in ("AM-01", "AM-06", "AM-10", "AM-22")] == ["keep"] * 4
    assert "retire" not in found.values()
    assert "AM-20" not in found
    assert len(found) == 23


def test_meters_nobody_named_stand_by_what_they_ask_for(
    unpriced: RetirementMemo, tmp_path: Path
) -> None:
    """The table begins with what is to be done; the meters that are kept follow by name."""
    assert list(answers(unpriced))[:3] == ["AM-12", "AM-07", "AM-01"]
    text = shown(write_retirement(unpriced, tmp_path))
    assert text.index("AM-12 service") < text.index("AM-07 check more often") < text.index("AM-01")
    assert text.count("10 grounds could be measured, and none is met.") == 1


def test_without_prices_costs_cannot_be_said(unpriced: RetirementMemo, tmp_path: Path) -> None:
    """Nothing is priced, what would fail is still expected, and the page says what is missing."""
    costs = unpriced.weighed.costs
    assert costs["expected_cost"].null_count() == costs.height
    assert costs["found_out"].null_count() == 0
    page = write_retirement(unpriced, tmp_path)
    text = shown(page)
    assert "check_price, service_price and replacement_price are not in the policy" in text
    assert "What each choice costs" not in text
    assert "AM-01 : keep" not in text
    assert "AM-12 : service" in text
    assert text.count("Decision of the laboratory") == sum(
        answer != "keep" for answer in answers(unpriced).values()
    )


def test_with_prices_each_choice_has_its_range(priced: RetirementMemo, tmp_path: Path) -> None:
    """AM-07: adjusting sooner is cheaper than as now; drawn, with what luck may reverse."""
    costs = priced.weighed.costs.filter(meter_id="AM-07")
    by_choice = {row["choice"]: row for row in costs.iter_rows(named=True)}
    assert list(by_choice) == ["keep", "check_more_often", "service", "retire"]
    for row in by_choice.values():
        assert row["low_cost"] <= row["expected_cost"] <= row["high_cost"]
    assert by_choice["check_more_often"]["expected_cost"] < by_choice["keep"]["expected_cost"]
    text = shown(write_retirement(priced, tmp_path))
    assert "is expected to cost least" in text
    assert "cannot be said" not in text.split("Grounds")[1].split("Decision")[0]


def words_agree_with_table(memo: RetirementMemo) -> None:
    """Assert that each advice is the cheapest choice that is open, or lies within its range."""
    order = ["keep", "check_more_often", "service", "retire"]
    for row in memo.weighed.advice.iter_rows(named=True):
        mine = memo.weighed.costs.filter(meter_id=row["meter_id"])
        costs = {cost["choice"]: cost for cost in mine.to_dicts()}
        answer = row["recommendation"]
        cheaper = [
            name
            for name, cost in costs.items()
            if cost["high_cost"] < costs[answer]["expected_cost"]
        ]
        # What is cheaper beyond luck may only be left for a more thorough choice.
        assert all(order.index(name) < order.index(answer) for name in cheaper)
        least = min(costs, key=lambda name: costs[name]["expected_cost"])
        claims = "expected to cost least" in row["reason"] and "remedy" not in row["reason"]
        assert claims == (answer == least)


@pytest.mark.parametrize(
    "prices",
    [(60, 45, 900, 220, 1150), (85, 40, 900, 250, 1400), (20, 10, 50, 900, 5000), (9, 9, 9, 9, 9)],
)
def test_the_cheapest_choice_decides_in_words_and_table(
    review: Review, prices: tuple[float, ...]
) -> None:
    """On every meter of the sample: AM-06 is not kept at 5,943 where a service costs 2,089."""
    names = ("check", "adjustment", "failure", "service", "replacement")
    named: dict[str, Any] = {
        f"{name}_price": float(price) for name, price in zip(names, prices, strict=True)
    }
    choices = dataclasses.replace(Policy().retirement, **named)
    policy = dataclasses.replace(Policy(), retirement=choices)
    meters = review.upkeep.present["meter_id"].to_list()
    memo = weigh_meters(dataclasses.replace(review, policy=policy), meters)
    words_agree_with_table(memo)
    if prices == (60, 45, 900, 220, 1150):
        assert answers(memo)["AM-06"] == "service"


def test_meters_stand_in_the_order_asked_for(priced: RetirementMemo, tmp_path: Path) -> None:
    """AM-07 before AM-01, both in full although one is kept, each with its own thresholds."""
    assert list(answers(priced)) == ["AM-07", "AM-01"]
    text = shown(write_retirement(priced, tmp_path))
    assert text.index("AM-07 : check more often") < text.index("AM-01 : keep")
    assert "6 moves in a row 5 moves in a row or more met" in text
    assert "retirement.same_direction_moves" in text


def test_files_say_the_same_as_the_record(priced: RetirementMemo, tmp_path: Path) -> None:
    """CSV and JSON hold the same numbers; written twice, every byte is the same."""
    for name in ("one", "two"):
        write_retirement(priced, tmp_path / name)
    first, second = (
        {path.name: path.read_bytes() for path in (tmp_path / name).rglob("*.*")}
        for name in ("one", "two")
    )
    assert first == second
    assert set(first) == {
        "retirement.html",
        "vega.js",
        "figures.js",
        *shared_files(),
        "retirement.json",
        "retirement.csv",
        "retirement_grounds.csv",
        "retirement_costs.csv",
        "record.json",
    }
    record = json.loads(first["retirement.json"])
    assert record == json.loads(json.dumps(retirement_record(priced)))
    grounds = pl.read_csv(tmp_path / "one" / "retirement_grounds.csv")
    told = [ground["value"] for meter in record["meters"] for ground in meter["grounds"]]
    assert grounds["value"].to_list() == told
    assert record["policy"]["retirement.check_price"] == 60.0
    assert record["meters"][0]["carried_by"] == ["adjustment_rate", "same_direction", "pass_rate"]


def test_a_source_without_a_reading_says_that(tmp_path: Path) -> None:
    """Whoever is asked for, what is said is that nothing can be used."""
    source = write(tmp_path / "in", readings=readings("A,2020-13-45,as_found,5.0,5.0"))
    with pytest.raises(DriftError, match="no usable reading"):
        retirement_memo(source, meters=("B",), as_of=AS_OF, policy=Policy())


@pytest.mark.parametrize("asked", ["am-O7", "AM07", "zzz", "\x1b[31m" + "x" * 500])
def test_an_unknown_meter_names_the_nearest(asked: str) -> None:
    """A slip in an id names what was probably meant; no id can break the line."""
    with pytest.raises(DriftError, match="is not a meter") as caught:
        retirement_memo(SAMPLE, meters=("AM-01", asked), as_of=AS_OF, policy=Policy())
    assert ("AM-07" in caught.value.hint) == asked.casefold().startswith("am")
    assert caught.value.hint
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 200


def test_a_retired_meter_is_weighed_only_where_asked(review: Review, tmp_path: Path) -> None:
    """AM-20 is shown for the record, with nothing to decide and nothing forecast."""
    memo = weigh_meters(review, ["AM-20"], asked=("AM-20",))
    text = shown(write_retirement(memo, tmp_path))
    assert "It is recorded as retired" in text
    assert "Decision of the laboratory" not in text
    assert "it could not be forecast" in text


def test_a_fleet_of_one_meter(tmp_path: Path) -> None:
    """One meter without marks, service or a record of its own is weighed on what there is."""
    rows = visits("ONLY", [0.0, 0.02, 0.0, 0.01, 0.0, 0.02, 0.01, 0.0])
    source = write(tmp_path / "in", readings=readings(*rows))
    memo = retirement_memo(source, meters=(), as_of=AS_OF, policy=PRICED)
    assert answers(memo) == {"ONLY": "keep"}
    verdicts = dict(memo.weighed.grounds.select("ground", "verdict").iter_rows())
    assert verdicts["age"] == verdicts["mark_travel"] == verdicts["recurring_fault"] == "cannot_say"
    assert verdicts["adjustment_rate"] == "not_met"
    assert "1 meter" not in shown(write_retirement(memo, tmp_path / "out"))


def test_meters_seen_once_are_kept_because_nothing_can_be_said(tmp_path: Path) -> None:
    """One visit each, one of them out, with a hostile id: no rate, no advice to retire."""
    rows = [*visits("A", [0.0]), *visits(HOSTILE, [0.2])]
    source = write(tmp_path / "in", readings=readings(*rows))
    memo = retirement_memo(source, meters=("A", HOSTILE), as_of=AS_OF, policy=Policy())
    assert set(answers(memo).values()) == {"keep"}
    text = shown(write_retirement(memo, tmp_path / "out"))
    assert HOSTILE in text
    assert "Fewer than 6 visits with this gauge." in text
    assert not {"nan", "None", "inf"} & set(text.split())


def test_where_all_are_retired_there_is_nothing_to_weigh(tmp_path: Path) -> None:
    """The error says so and how to weigh one all the same."""
    source = write(
        tmp_path / "in",
        readings=readings(*visits("A", [0.0, 0.0])),
        meters="meter_id,status\nA,retired\n",
    )
    with pytest.raises(DriftError, match="no meter in use") as caught:
        retirement_memo(source, meters=(), as_of=AS_OF, policy=Policy())
    assert "name the meters" in caught.value.hint


def test_a_folder_that_cannot_be_written_is_an_error(
    priced: RetirementMemo, tmp_path: Path
) -> None:
    """The path and a way out are named."""
    (tmp_path / "file").write_text("")
    with pytest.raises(DriftError, match="cannot be written") as caught:
        write_retirement(priced, tmp_path / "file")
    assert "--out" in caught.value.hint


def test_the_command_says_the_answers_or_prints_the_record(tmp_path: Path) -> None:
    """A summary with the page's place, or JSON alone; a slip ends with one line and its hint."""
    rows = visits("A", [0.0, 0.02, 0.0, 0.01, 0.0, 0.02, 0.01, 0.0])
    source = write(tmp_path / "in", readings=readings(*rows))
    out = tmp_path / "out"
    asked = [str(source), "--as-of", "2026-01-01", "--out", str(out)]
    ran = CliRunner().invoke(commands, ["retirement", *asked])
    assert ran.output.splitlines()[0] == "1 meter weighed on 2026-01-01: 1 to keep."
    assert ran.output.splitlines()[-1] == f"Page: {out / 'retirement.html'}"
    ran = CliRunner().invoke(commands, ["retirement", *asked, "--json"])
    assert json.loads(ran.output) == json.loads((out / "retirement.json").read_text())
    ran = CliRunner().invoke(commands, ["retirement", *asked, "B"])
    assert isinstance(ran.exception, DriftError)


def test_a_ground_is_met_from_its_threshold_on(priced: RetirementMemo) -> None:
    """Its distance is 1 or more where it is met, under 1 elsewhere; so the figure draws it."""
    known = priced.weighed.grounds.drop_nulls(["distance", "value", "threshold"])
    assert set(known["verdict"]) == {"met", "not_met"}
    above = known["met_from_above"]
    assert known.filter(above & (pl.col("verdict") == "met"))["distance"].ge(1).all()
    assert known.filter(~above & (pl.col("verdict") == "met"))["distance"].gt(1).all()
    assert known.filter(above & (pl.col("verdict") == "not_met"))["distance"].lt(1).all()
    assert known.filter(~above & (pl.col("verdict") == "not_met"))["distance"].le(1).all()
