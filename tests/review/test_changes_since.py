"""What has changed since an earlier review: found, counted, and refused where it cannot be said."""

import csv
import dataclasses
import json
import shutil
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from scipy import stats

from drift.api.reviews import Written, review_source
from drift.errors import DriftError
from drift.report.pages.fleet import fleet_page
from drift.review.changes import CHANGE_KINDS, SINCE, Since
from drift.review.past_predictions import NEAR_DAYS
from drift.review.policy import Policy
from tests.csv_folders import readings, write
from tests.report.fleet_text import fleet_html

SAMPLE = Path(__file__).resolve().parents[2] / "sample_history"
THEN, NOW = date(2026, 7, 1), date(2026, 10, 1)
FIRST = date(2024, 1, 15)
# Ids that data files spell otherwise, to keep a spreadsheet from running or folding them.
ODD = ("=AM-2", "AM\u22123", "AM\u00a04")


def reviewed(
    source: Path,
    out: Path,
    as_of: date,
    *,
    previous: Path | None = None,
    policy: Policy | None = None,
) -> Written:
    return review_source(
        source,
        out=out,
        as_of=as_of,
        policy=policy or Policy(),
        with_pages=False,
        progress=lambda _done, _of: None,
        previous=previous,
    )


def quarters(meter: str, biases: list[float]) -> list[str]:
    return [
        f"{meter},{FIRST + timedelta(days=91 * visit)},as_found,5.0,{5 + bias:.2f}"
        for visit, bias in enumerate(biases)
    ]


def since(written: Written) -> Since:
    assert written.review.since is not None
    return written.review.since


def of_kind(written: Written, kind: str) -> pl.DataFrame:
    return since(written).rows.filter(pl.col("kind") == kind)


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder: Path = tmp_path_factory.mktemp("sample")
    return folder


@pytest.fixture(scope="module")
def sample(out: Path) -> Written:
    """Review the sample in July, and in October with an eye on July."""
    reviewed(SAMPLE, out / "then", THEN)
    return reviewed(SAMPLE, out / "now", NOW, previous=out / "then")


def test_standings_of_the_sample_that_changed_are_those_of_the_two_reviews(
    sample: Written, out: Path
) -> None:
    """A plain comparison of the two meters.csv gives the same meters, before and now."""
    then = {row["meter_id"]: row["standing"] for row in rows(out / "then/data/meters.csv")}
    plainly = [
        (row["meter_id"], then[row["meter_id"]], row["standing"])
        for row in rows(out / "now/data/meters.csv")
        if then[row["meter_id"]] != row["standing"]
    ]
    changed = of_kind(sample, "standing")
    assert changed.select("meter_id", "before", "now").rows() == plainly
    assert changed.filter(~pl.col("why").str.starts_with("seen ")).is_empty()
    assert ("AM-09", "holding", "watch") in plainly


def test_signals_of_the_sample_that_are_new_or_gone_are_those_of_the_two_files(
    sample: Written, out: Path
) -> None:
    """A plain comparison of the two signals.csv gives the same ids."""
    then, now = (
        {row["signal_id"] for row in rows(out / at / "data/signals.csv")} for at in ("then", "now")
    )
    assert set(of_kind(sample, "new_signal")["name"]) == now - then
    assert set(of_kind(sample, "ended_signal")["name"]) == then - now


def test_bands_of_the_sample_are_judged_as_a_plain_script_does(sample: Written, out: Path) -> None:
    """Each due date's band of July is held against the first mean found after July."""
    found: dict[tuple[str, str], tuple[date, float]] = {}
    for row in rows(out / "now/data/visits.csv"):
        on, key = date.fromisoformat(row["performed_on"]), (row["meter_id"], row["point_pct"])
        if on > THEN and row["as_found_bias_pct"] and key not in found:
            found[key] = (on, float(row["as_found_bias_pct"]))
    inside = outside = 0
    for row in rows(out / "then/data/forecast.csv"):
        key = (row["meter_id"], row["point_pct"])
        if not row["next_mean_low"] or key not in found:
            continue
        on, mean = found[key]
        if abs((on - date.fromisoformat(row["on_date"])).days) <= NEAR_DAYS:
            lies = float(row["next_mean_low"]) <= mean <= float(row["next_mean_high"])
            inside, outside = inside + lies, outside + (not lies)
    told = since(sample).prediction
    assert inside + outside > 40
    assert (told.inside, told.judged) == (inside, inside + outside)
    assert of_kind(sample, "band")["now"].value_counts(sort=True).rows() == [
        ("inside", inside),
        ("outside", outside),
    ]
    # Clopper and Pearson's interval as scipy gives it.
    exact = stats.binomtest(inside, inside + outside).proportion_ci(method="exact")
    assert (told.low, told.high) == pytest.approx((exact.low, exact.high))


def test_calls_of_the_sample_count_meters_by_what_the_next_visit_found(
    sample: Written, out: Path
) -> None:
    """Each meter seen since is counted under its standing then."""
    then = {row["meter_id"]: row["standing"] for row in rows(out / "then/data/meters.csv")}
    biases: dict[str, list[float]] = {}
    for row in rows(out / "now/data/visits.csv"):
        if date.fromisoformat(row["performed_on"]) > THEN and row["as_found_bias_pct"]:
            biases.setdefault(row["meter_id"], []).append(float(row["as_found_bias_pct"]))
    told = {call.standing: (call.seen, call.found_out) for call in since(sample).prediction.calls}
    for standing, (seen, found_out) in told.items():
        of_standing = [biases[meter] for meter in biases if then[meter] == standing]
        assert seen == len(of_standing)
        assert found_out == sum(max(map(abs, found)) > 0.1 for found in of_standing)
    assert sum(seen for seen, _ in told.values()) == len(biases)


def test_the_data_file_holds_all_and_stays_only_while_asked_for(sample: Written, out: Path) -> None:
    """since.csv has the columns and rows of the comparison, and a review without one drops it."""
    written = pl.read_csv(out / "now/data/since.csv", infer_schema_length=None)
    assert written.columns == list(SINCE)
    assert written.height == since(sample).rows.height
    places = [CHANGE_KINDS.index(kind) for kind in written["kind"]]
    assert places == sorted(places)
    record = json.loads((out / "now/data/run.json").read_text(encoding="utf-8"))
    assert record["previous"] == str(THEN)


def test_a_review_compared_with_itself_has_not_changed(tmp_path: Path) -> None:
    """Ids that data files spell otherwise are known again; the folder may be its own previous."""
    biases = [0.0, 0.02, 0.0, 0.01, 0.3, 0.02, 0.01, 0.0, 0.02]
    table = readings(*(row for meter in ("AM-1", *ODD) for row in quarters(meter, biases)))
    source = write(tmp_path / "in", readings=table)
    day = date(2026, 3, 1)
    reviewed(source, tmp_path / "out", day)
    again = reviewed(source, tmp_path / "out", day, previous=tmp_path / "out")
    assert since(again).rows.is_empty()
    assert "has changed" in since(again).short
    assert (tmp_path / "out/data/since.csv").exists()
    reviewed(source, tmp_path / "out", day)
    assert not (tmp_path / "out/data/since.csv").exists()


def test_meters_responses_choices_and_files_that_changed_are_told(tmp_path: Path) -> None:
    """One meter comes, one goes, a signal is answered, the policy and a file change."""
    jump = [0.0, 0.02, 0.0, 0.01, 0.0, 0.02, 0.01, 0.0, 0.09]
    steady = [0.0, 0.02] * 4
    old = readings(*quarters("=A", jump), *quarters("GONE", steady))
    source = write(tmp_path / "in", readings=old)
    first = reviewed(source, tmp_path / "one", date(2026, 3, 1))
    asked = first.review.signals["signal_id"][0]
    new = readings(*quarters("=A", [*jump, 0.25]), *quarters("NEW", steady))
    answer = f"signal_id,recorded_on,finding,action,recorded_by\n{asked},2026-04-02,mark,moved,X\n"
    write(source, readings=new, responses=answer)
    second = reviewed(
        source,
        tmp_path / "two",
        date(2026, 6, 1),
        previous=tmp_path / "one",
        policy=Policy(stop_probability=0.4, points_pct=(0.0, 5.0)),
    )
    assert of_kind(second, "new_meter")["meter_id"].to_list() == ["NEW"]
    assert of_kind(second, "gone_meter")["meter_id"].to_list() == ["GONE"]
    assert of_kind(second, "response").select("meter_id", "name", "on_date").rows() == [
        ("=A", asked, date(2026, 4, 2))
    ]
    assert of_kind(second, "policy").select("name", "before", "now").rows() == [
        ("points_pct", "0, 5, 10", "0, 5"),
        ("stop_probability", "0.5", "0.4"),
    ]
    assert of_kind(second, "file").select("name", pl.col("before").is_null()).rows() == [
        ("readings.csv", False),
        ("responses.csv", True),
    ]
    (call,) = of_kind(second, "call").iter_rows(named=True)
    assert (call["meter_id"], call["now"]) == ("=A", "found out")
    assert "1 new meter, 1 meter gone" in since(second).short


def _without(folder: Path, table: str, column: str) -> None:
    path = folder / "data" / f"{table}.csv"
    pl.read_csv(path, infer_schema=False).drop(column).write_csv(path)


def _record(folder: Path, **changed: object) -> None:
    path = folder / "data" / "run.json"
    record = json.loads(path.read_text(encoding="utf-8")) | changed
    path.write_text(json.dumps(record), encoding="utf-8")


REFUSED: dict[str, tuple[Callable[[Path], object], str]] = {
    "no folder": (shutil.rmtree, "holds no review"),
    "no review": (lambda folder: (folder / "data/run.json").unlink(), "holds no review"),
    "no record": (
        lambda folder: (folder / "data/run.json").write_text("[1]"),
        "not the record of a review",
    ),
    "other program": (lambda folder: _record(folder, program="x"), "not the record of a review"),
    "later": (lambda folder: _record(folder, as_of="2026-03-02"), "later than this review's"),
    "missing file": (lambda folder: (folder / "data/signals.csv").unlink(), "signals.csv"),
    "empty file": (lambda folder: (folder / "data/meters.csv").write_text(""), "meters.csv"),
    "older version": (lambda folder: _without(folder, "meters", "standing"), "no column standing"),
    "nonsense": (
        lambda folder: (folder / "data/forecast.csv").write_text(
            "meter_id,point_pct,on_date\nA,five,2026-01-01\n"
        ),
        "a value that no review writes",
    ),
    "other fleet": (
        lambda folder: (folder / "data/meters.csv").write_text(
            "meter_id,standing,overdue,last_visit_on\nZ,holding,false,2026-01-01\n"
        ),
        "no meter in common",
    ),
}


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder: Path = tmp_path_factory.mktemp("small")
    write(folder / "in", readings=readings(*quarters("A", [0.0, 0.02] * 4)))
    reviewed(folder / "in", folder / "out", date(2026, 3, 1))
    return folder


@pytest.mark.parametrize("case", REFUSED)
def test_what_is_no_earlier_review_is_refused_and_says_why(
    small: Path, tmp_path: Path, case: str
) -> None:
    """Each message names the place and what was expected; nothing is written."""
    spoil, message = REFUSED[case]
    previous = tmp_path / "previous"
    shutil.copytree(small / "out", previous)
    spoil(previous)
    with pytest.raises(DriftError, match=message) as caught:
        reviewed(small / "in", tmp_path / "new", date(2026, 3, 1), previous=previous)
    assert str(previous) in caught.value.where
    assert caught.value.expected
    assert not (tmp_path / "new").exists()


def test_an_older_version_with_fewer_columns_is_compared_as_far_as_it_goes(
    small: Path, tmp_path: Path
) -> None:
    """What an older review did not write is left out, and the version is named."""
    previous = tmp_path / "previous"
    shutil.copytree(small / "out", previous)
    _record(previous, version="0.0.1")
    for table, column in (
        ("meters", "p_out_next_due"),
        ("signals", "answered_on"),
        ("forecast", "next_mean_low"),
    ):
        _without(previous, table, column)
    again = reviewed(small / "in", tmp_path / "new", date(2026, 3, 1), previous=previous)
    assert since(again).rows.select("kind", "before").rows() == [("program", "0.0.1")]
    assert since(again).prediction.judged == 0


def test_more_failures_than_foreseen_are_said_to_be_so(sample: Written) -> None:
    """The chance of as many comes out alike from the characteristic function of their number."""
    calls = of_kind(sample, "call").drop_nulls("value")
    p, was_out = calls["value"].to_numpy(), int((calls["now"] == "found out").sum())
    turns = np.exp(2j * np.pi * np.arange(p.size + 1) / (p.size + 1))
    numbers = np.fft.fft(np.prod(1 - p + p * turns[:, None], axis=1)).real / (p.size + 1)
    prediction = since(sample).prediction
    assert prediction.as_many == pytest.approx(numbers[was_out:].sum())
    assert prediction.as_few == pytest.approx(numbers[: was_out + 1].sum())
    assert prediction.as_many < 0.025
    assert "3 were found out, more than expected" in since(sample).calls


def test_the_fleet_page_says_what_changed_only_where_it_was_asked(sample: Written) -> None:
    """The part stands on the page with its table, and is absent without an earlier review."""
    page = fleet_page(sample.review)
    html = fleet_html(page)
    assert 'id="since"' in html
    assert page.since is not None
    assert all(sentence in html for sentence in page.since.lead)
    assert {row.meter_id for row in page.since.standings} == set(
        of_kind(sample, "standing")["meter_id"]
    )
    alone = dataclasses.replace(sample.review, since=None)
    assert 'id="since"' not in fleet_html(fleet_page(alone))
