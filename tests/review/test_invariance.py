"""Nothing that a review writes depends on names, on the order of rows, on sign or on the date."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from drift.api.reviews import review_source
from drift.review.policy import Policy

AS_OF = date(2025, 1, 15)
COLUMNS = (
    "meter_id",
    "performed_on",
    "stage",
    "correct_air_pct",
    "reading_air_pct",
    "replicate",
    "operator",
)
DAY = re.compile(r"\b\d{4}-\d\d-\d\d\b")
SAID_DAY = re.compile(r"\b\d{1,2}[ \u00a0][A-Z][a-z]{2}[ \u00a0]\d{4}\b")
NAME = re.compile(r"Z\d{4}Z")
# Made of names, or of the order of rows, by what they are.
NAMED = ("signal_id", "visit_id", "line")
# Sentences of clauses name meters in the order of their names and count whole calendar months.
SAID = ("answer", "decided_by", "to_file")


@pytest.fixture(scope="module")
def shared_analyses() -> None:
    """Share nothing: each review is worked out anew."""


@dataclass(frozen=True)
class Lab:
    """What a small laboratory is like; % air."""

    meters: int = 7
    visits: int = 11
    step: float = 0.05
    noise: float = 0.02
    replicates: int = 2
    points: tuple[float, ...] = (0.0, 5.0)


Rows = list[dict[str, str]]


def readings_of(lab: Lab, seed: int) -> Rows:
    """Simulate visits every quarter, some meters drifting, put right where found outside."""
    rng = np.random.default_rng(seed)
    level = rng.normal(0, 0.03, (lab.meters, len(lab.points)))
    rate = np.where(rng.random(lab.meters) < 0.4, rng.choice([-0.08, 0.08], lab.meters), 0.0)
    rows: Rows = []
    for visit in range(lab.visits):
        level = level + rate[:, None] / 4 + rng.normal(0, 0.01, level.shape)
        for meter in range(lab.meters):
            on = date(2022, 1, 10) + timedelta(days=91 * visit + 2 * int(rng.integers(0, 7)))
            found = read(rng, level[meter], lab)
            rows += told(meter, on, "as_found", found, lab, operator=visit % 2)
            if np.abs(found.mean(axis=1)).max() > 0.1 + 1e-9:
                level[meter] = rng.normal(0, 0.02, len(lab.points))
                left = read(rng, level[meter], lab)
                rows += told(meter, on, "as_left", left, lab, operator=visit % 2)
    return rows


def read(rng: np.random.Generator, level: np.ndarray, lab: Lab) -> np.ndarray:
    """Return readings of a dial, shape (points, replicates), in whole steps."""
    exact = level[:, None] + rng.normal(0, lab.noise, (len(lab.points), lab.replicates))
    steps: np.ndarray = np.rint(exact / lab.step)
    return steps * lab.step


def told(meter: int, on: date, stage: str, biases: np.ndarray, lab: Lab, *, operator: int) -> Rows:
    """Return the rows of one sitting."""
    return [
        {
            "meter_id": f"M-{meter:04d}",
            "performed_on": str(on),
            "stage": stage,
            "correct_air_pct": str(point),
            "reading_air_pct": str(Decimal(str(point)) + Decimal(f"{biases[place, k]:.4f}")),
            "replicate": str(k + 1),
            "operator": f"person {operator}",
        }
        for place, point in enumerate(lab.points)
        for k in range(lab.replicates)
    ]


def reviewed(folder: Path, rows: Rows, *, as_of: date = AS_OF) -> dict[str, pl.DataFrame]:
    """Write rows as a file, review it and return the tables written, as texts."""
    source = folder / "source"
    source.mkdir(parents=True)
    pl.DataFrame(rows).select(COLUMNS).write_csv(source / "readings.csv")
    out = folder / "out"
    review_source(
        source,
        out=out,
        as_of=as_of,
        policy=Policy(),
        with_pages=False,
        progress=lambda _done, _of: None,
    )
    files = sorted((out / "data").glob("*.csv"))
    assert len(files) > 10
    tables = {
        file.stem: pl.read_csv(file, infer_schema=False).fill_null("").drop(NAMED, strict=False)
        for file in files
    }
    return tables | {"evidence": tables["evidence"].drop(SAID)}


def renamed(rows: Rows, names: dict[str, str]) -> Rows:
    """Return rows with other names of meters."""
    return [row | {"meter_id": names[row["meter_id"]]} for row in rows]


def in_words(frame: pl.DataFrame, change: Callable[[str], str]) -> pl.DataFrame:
    """Return a table with every text changed, its rows in order of their texts."""
    texts = [pl.Series(name, [change(text) for text in frame[name]]) for name in frame.columns]
    return pl.DataFrame(texts, schema=dict.fromkeys(frame.columns, pl.String)).sort(frame.columns)


def assert_same(
    before: dict[str, pl.DataFrame], after: dict[str, pl.DataFrame], change: Callable[[str], str]
) -> None:
    """Assert that tables hold the same rows once `change` has been undone."""
    assert before.keys() == after.keys()
    for name, table in before.items():
        theirs = in_words(after[name], change)
        ours = in_words(table, str)
        assert ours.equals(theirs), f"{name}: {differences(ours, theirs)}"


def differences(ours: pl.DataFrame, theirs: pl.DataFrame) -> str:
    """Return the first cells that differ, in words."""
    if ours.shape != theirs.shape:
        return f"{ours.shape} and {theirs.shape}"
    told = [
        f"{name}: {one} and {other}"
        for name in ours.columns
        for one, other in zip(ours[name], theirs[name], strict=True)
        if one != other
    ]
    return "; ".join(told[:5])


LABS = {
    "replicates on a fine dial": Lab(),
    "single readings on a coarse dial": Lab(step=0.1, replicates=1, noise=0.04),
    "a meter of each kind": Lab(meters=3, visits=16, points=(5.0,)),
    "many meters": Lab(meters=60, visits=7, replicates=3),
}


@pytest.mark.parametrize("lab", LABS.values(), ids=LABS.keys())
def test_names_and_order_of_rows_decide_nothing(tmp_path: Path, lab: Lab) -> None:
    """Other names, in another alphabetical order, and shuffled rows: the same bits are written."""
    rows = readings_of(lab, seed=5)
    ids = sorted({row["meter_id"] for row in rows})
    rng = np.random.default_rng(3)
    names = {
        old: f"Z{place:04d}Z" for old, place in zip(ids, rng.permutation(len(ids)), strict=True)
    }
    back = {new: old for old, new in names.items()}
    shuffled = renamed(rows, names)
    before = reviewed(tmp_path / "before", rows)
    after = reviewed(
        tmp_path / "after", [shuffled[place] for place in rng.permutation(len(shuffled))]
    )
    assert_same(before, after, lambda text: NAME.sub(lambda found: back[found.group()], text))


def test_meters_alike_in_everything_are_told_the_same(tmp_path: Path) -> None:
    """A meter's double under another name gets its standing, chances and limits, bit by bit."""
    rows = readings_of(Lab(step=0.1, noise=0.04), seed=8)
    doubles = [row | {"meter_id": "A" + row["meter_id"]} for row in rows]
    tables = reviewed(tmp_path, rows + doubles)
    for name in ("meters", "forecast", "conformity", "uncertainty"):
        table = tables[name]
        first, second = (
            table.filter(pl.col("meter_id").str.starts_with(letter)) for letter in ("M", "A")
        )
        own = second.with_columns(pl.col("meter_id").str.strip_prefix("A"))
        assert first.height == own.height > 0
        assert first.sort(first.columns).equals(own.sort(own.columns)), name


@pytest.fixture(scope="module")
def on_its_days(tmp_path_factory: pytest.TempPathFactory) -> dict[str, pl.DataFrame]:
    """Review a laboratory on the days of its visits."""
    return reviewed(tmp_path_factory.mktemp("days"), readings_of(Lab(), seed=6))


@pytest.mark.parametrize("days", [1461, 100])
def test_the_calendar_decides_nothing(
    tmp_path: Path, on_its_days: dict[str, pl.DataFrame], days: int
) -> None:
    """The same history so many days later is told the same, so many days later."""
    rows = readings_of(Lab(), seed=6)
    later = [row | {"performed_on": moved(row["performed_on"], days)} for row in rows]
    before = on_its_days
    after = reviewed(tmp_path / "after", later, as_of=AS_OF + timedelta(days=days))
    assert before.keys() == after.keys()
    for name, table in before.items():
        theirs = in_words(after[name], lambda text: moved(text, -days))
        ours = in_words(table, str)
        assert ours.shape == theirs.shape, name
        assert not unlike(ours, theirs, allowed=1e-5), name


def moved(text: str, days: int) -> str:
    """Return a text with every date so many days later; dates in words are left out."""
    said = SAID_DAY.sub("that day", text)
    return DAY.sub(lambda day: str(date.fromisoformat(day.group()) + timedelta(days=days)), said)


def unlike(
    ours: pl.DataFrame, theirs: pl.DataFrame, *, allowed: float, mirrored: bool = False
) -> list[str]:
    """Return cells that differ by more than `allowed` of their value (or in words)."""
    found = []
    for name in ours.columns:
        for one, other in zip(ours[name], theirs[name], strict=True):
            if SAID_DAY.sub("that day", one) == SAID_DAY.sub("that day", other):
                continue
            try:
                first, second = float(one), float(other)
            except ValueError:
                found.append(f"{name}: {one} and {other}")
                continue
            gap = abs(first + second) if mirrored else abs(first - second)
            if gap > allowed * max(abs(first), 0.01):
                found.append(f"{name}: {one} and {other}")
    return found


# What is written of a mirrored history: columns that stay, and columns that change their sign.
MIRRORED = {
    "meters": (("meter_id", "standing", "overdue", "p_out_next_due"), ("level_pct",)),
    "forecast": (("meter_id", "point_pct", "horizon_days", "p_out"), ("level_pct",)),
    "conformity": (("meter_id", "performed_on", "stage", "verdict", "p_conform"), ("bias_pct",)),
    "reference": (("kind", "name", "p", "q"), ()),
}


def turned_round(row: dict[str, str]) -> str:
    """Return the reading that errs as much to the other side."""
    return str(2 * Decimal(row["correct_air_pct"]) - Decimal(row["reading_air_pct"]))


@pytest.mark.parametrize("lab", [LABS["replicates on a fine dial"], Lab(step=0.1, noise=0.04)])
def test_neither_side_of_zero_is_preferred(tmp_path: Path, lab: Lab) -> None:
    """Every bias turned round: the same verdicts, chances and signals, levels turned round."""
    rows = readings_of(lab, seed=7)
    turned = [row | {"reading_air_pct": turned_round(row)} for row in rows]
    before, after = reviewed(tmp_path / "before", rows), reviewed(tmp_path / "after", turned)
    for name, (kept, turns) in MIRRORED.items():
        ours, theirs = before[name].select(*kept, *turns), after[name].select(*kept, *turns)
        assert not unlike(ours.select(kept), theirs.select(kept), allowed=2e-3), name
        assert not unlike(ours.select(turns), theirs.select(turns), allowed=2e-3, mirrored=True), (
            name
        )
    which = ["meter_id", "visit_on", "point_pct", "chart", "rule"]
    signals = [table["signals"].select(which).sort(which) for table in (before, after)]
    assert signals[0].equals(signals[1])
