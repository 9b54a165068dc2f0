"""What `import drift` gives a script: the same as the command line writes, in frames."""

import dataclasses
import doctest
import functools
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from datetime import date, datetime
from pathlib import Path

import polars as pl
import pytest

import drift
from drift.api import face, frames, repeatability
from drift.api.given import Source
from drift.intake.columns import TABLES
from drift.report.data_files import disarmed
from drift.review import policy as policy_module
from tests.command_line import run_here as command

ROOT = Path(__file__).resolve().parents[2]
GUIDE = (ROOT / "drift" / "guide" / "python.md").read_text(encoding="utf-8")
READINGS = pl.DataFrame(
    {
        "meter_id": ["AM-1"] * 4 + ["AM-2"] * 4,
        "performed_on": [date(2025, month, 5) for month in (1, 4, 7, 10)] * 2,
        "stage": "as_found",
        "correct_air_pct": 5.0,
        "reading_air_pct": [5.0, 5.02, 5.0, 5.01, 5.0, 5.1, 5.2, 5.3],
    }
)
DAY = "2025-11-01"


@pytest.fixture(scope="module")
def small() -> face.Review:
    return drift.review({"readings": READINGS}, as_of=DAY)


@pytest.fixture
def reviewed_once(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Let examples that review the same source share the review."""
    monkeypatch.chdir(ROOT)
    once = functools.cache(face.review)
    monkeypatch.setattr(face, "review", once)
    yield
    once.cache_clear()


@pytest.mark.usefixtures("reviewed_once")
def test_the_examples_of_the_docstrings_hold() -> None:
    """Everything offered has an example, and each gives what it says."""
    finder = doctest.DocTestFinder(exclude_empty=True)
    runner = doctest.DocTestRunner(optionflags=doctest.REPORT_NDIFF)
    tests = [
        test
        for module in (face, frames, repeatability, policy_module)
        for test in finder.find(module, globs={})
    ]
    said: list[str] = []
    for test in tests:
        runner.run(test, out=said.append)
    assert not runner.failures, "".join(said)
    named = {test.name.rsplit(".", 1)[-1] for test in tests if test.examples}
    assert {
        "read",
        "proof",
        "detectability",
        "study",
        "Review",
        "meter",
        "write",
        "headline",
    } <= named
    assert {"from_file", "changed", "frames"} <= named


def test_importing_is_quick_and_loads_no_library() -> None:
    """Names load when they are used: below 0.1 s of processor time, and nothing numeric."""
    program = (
        "import sys, time; start = time.process_time(); import drift; "
        "print(time.process_time() - start, *sys.modules)"
    )
    ran = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    seconds, *names = ran.stdout.split()
    assert set(names).isdisjoint({"numpy", "polars", "duckdb", "scipy", "jinja2", "click"})
    assert float(seconds) < 0.1


def test_the_names_offered_are_sorted_and_there() -> None:
    """What `__all__` says can be used, and nothing else is invented."""
    assert drift.__all__ == sorted(drift.__all__)
    assert all(getattr(drift, name) is not None for name in drift.__all__)
    with pytest.raises(AttributeError, match="no attribute 'reveiw'"):
        drift.reveiw  # type: ignore[attr-defined]  # noqa: B018


def test_review_stays_the_function_whatever_is_loaded() -> None:
    """The package of the same name does not take its place, in either order."""
    program = "import drift.review.policy, drift; assert callable(drift.review), drift.review"
    subprocess.run([sys.executable, "-c", program], check=True)


def test_a_review_has_the_frames_that_the_command_writes(
    small: face.Review, tmp_path: Path
) -> None:
    """From files with the same rows, each data file says what the frame of its name says."""
    folder = tmp_path / "frames"
    folder.mkdir()
    READINGS.write_csv(folder / "readings.csv")
    ran = command("review", folder, "--out", tmp_path / "out", "--as-of", DAY, "--data-only")
    assert ran.returncode == 0
    written = {path.stem: path.read_text() for path in (tmp_path / "out/data").glob("*.csv")}
    assert {name: disarmed(frame).write_csv() for name, frame in small.frames.items()} == written
    assert small.headline in ran.stdout.splitlines()
    assert set(frames.Frames.__annotations__) == written.keys() | {"since"}
    assert small.meters is small.frames["meters"]


def test_what_is_written_is_what_the_command_writes(small: face.Review, tmp_path: Path) -> None:
    """Pages and data files have the same bytes, the record apart, from one process alone."""
    folder = tmp_path / "frames"
    folder.mkdir()
    READINGS.write_csv(folder / "readings.csv")
    assert command("review", folder, "--out", tmp_path / "a", "--as-of", DAY).returncode == 0
    assert small.write(tmp_path / "b") == tmp_path / "b" / "index.html"
    one, two = (
        {path.relative_to(out): path.read_bytes() for path in out.rglob("*.*")}
        for out in (tmp_path / "a", tmp_path / "b")
    )
    assert one.pop(Path("data/run.json"))
    assert two.pop(Path("data/run.json"))
    assert one == two
    assert small.write(tmp_path / "b", pages=False) == tmp_path / "b" / "data"
    assert (tmp_path / "b" / "index.html").read_bytes() == one[Path("index.html")]


def test_a_folder_of_others_is_not_written_into(small: face.Review, tmp_path: Path) -> None:
    """What drift did not write stays."""
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(drift.DriftError, match=r"mine\.txt"):
        small.write(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


def test_one_meter_has_the_same_frames(small: face.Review) -> None:
    """Its rows alone where rows are of meters; ids in any case; the unknown names the nearest."""
    meter = small.meter("AM-2")
    assert meter.frames.keys() == small.frames.keys()
    assert meter.visits.equals(small.visits.filter(pl.col("meter_id") == "AM-2"))
    assert meter.visits.height == 4
    assert meter.evidence.equals(small.evidence)
    assert small.meter("am-2").visits.equals(meter.visits)
    with pytest.raises(drift.DriftError, match="AN-2") as raised:
        small.meter("AN-2")
    assert "AM-2" in raised.value.hint


def test_an_unknown_frame_is_an_attribute_error(small: face.Review) -> None:
    """So that `hasattr` and completion hold; `since` is there where a review was named."""
    assert not hasattr(small, "metres")
    assert not hasattr(small, "since")
    assert "since" not in dir(small)
    assert {"meters", "held_back", "headline", "write"} <= set(dir(small))


def test_an_earlier_review_is_compared(small: face.Review, tmp_path: Path) -> None:
    """As with `--previous`."""
    drift.review({"readings": READINGS}, as_of="2025-08-01").write(tmp_path / "then", pages=False)
    now = drift.review({"readings": READINGS}, as_of=DAY, previous=tmp_path / "then")
    assert not now.since.is_empty()
    assert now.visits.equals(small.visits)


def test_a_review_is_short_where_it_is_shown() -> None:
    """Two lines of text; as HTML escaped, with the headline and every obligation."""
    name = '<b onclick="x">&'
    review = drift.review(
        {"readings": READINGS.with_columns(pl.col("meter_id").replace("AM-2", name))}, as_of=DAY
    )
    assert len(repr(review).splitlines()) == 2
    shown = review._repr_html_()
    assert name not in shown
    assert "&lt;b onclick=&#34;x&#34;&gt;&amp;" in shown
    assert shown.count("<tr>") == review.obligations.height + 1


def test_frames_are_held_to_the_rules_of_files() -> None:
    """A row that cannot be meant is held back with its line and reason; midnights are days."""
    rows = READINGS.with_columns(
        pl.col("performed_on").cast(pl.Datetime),
        reading_air_pct=pl.when(pl.int_range(pl.len()) == 7)
        .then(99.0)
        .otherwise("reading_air_pct"),
    )
    record = drift.read({"readings": rows}, as_of=DAY)
    assert record.tables["readings"].height == record.ledger.height == 7
    ((file, line, column, reason),) = record.held_back.iter_rows()
    assert (file, line, column) == ("readings.csv", 9, "reading_air_pct")
    assert "99" in reason
    assert repr(record) == f"<record of frames on {DAY}: 7 sittings, 1 held back>"


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({}, "no table of readings"),
        ({"reading": READINGS}, "no input table"),
        ({"readings": READINGS.to_dict(as_series=False)}, "is a dict"),
        ({"readings": READINGS.drop("stage")}, "stage"),
        ({"readings": READINGS, "marks": READINGS}, "columns of readings"),
        ({"readings": READINGS.with_columns(remarks=pl.lit([1, 2]))}, "cannot be written"),
        ("nowhere", "does not exist"),
    ],
)
def test_a_source_that_cannot_be_used_is_refused(given: Source, says: str) -> None:
    """In words about the frame; no row is lost in silence."""
    with pytest.raises(drift.DriftError, match=says):
        drift.read(given, as_of=DAY)


def test_the_day_is_a_date_or_its_text() -> None:
    """A time of day is its day; anything else is refused."""
    for day in (DAY, date(2025, 11, 1), datetime(2025, 11, 1, 9)):  # noqa: DTZ001 (a local time)
        assert drift.read({"readings": READINGS}, as_of=day).as_of == date(2025, 11, 1)
    with pytest.raises(drift.DriftError, match="is no date"):
        drift.read({"readings": READINGS}, as_of="1/11/2025")


@pytest.mark.parametrize(
    "choices", [{"interval_days": 0}, {"interval_days": "91"}, {"rules": ("beyond_limit",)}]
)
def test_a_policy_made_in_a_script_is_checked(choices: dict[str, object]) -> None:
    """What a file may not hold, a keyword may not either."""
    with pytest.raises(drift.DriftError, match=next(iter(choices))):
        drift.Policy().changed(**choices)
    with pytest.raises(drift.DriftError, match=next(iter(choices))):
        drift.read({"readings": READINGS}, policy=dataclasses.replace(drift.Policy(), **choices))  # type: ignore[arg-type]  # wrong on purpose


def test_a_policy_counts_wherever_it_comes_from(tmp_path: Path) -> None:
    """Given as a file, by its path or by keywords it is the same."""
    path = tmp_path / "policy.toml"
    path.write_text("[intervals]\ntarget = 0.9\n", encoding="utf-8")
    changed = drift.Policy().changed(intervals={"target": 0.9})
    assert drift.Policy.from_file(path) == changed
    assert drift.review({"readings": READINGS}, as_of=DAY, policy=path).policy == changed


def test_every_input_table_is_in_a_record() -> None:
    """Tables that nobody gave are empty, not missing."""
    tables = drift.read({"readings": READINGS}, as_of=DAY).tables
    assert TABLES.keys() <= tables.keys()
    assert tables["marks"].is_empty()


def test_the_script_of_the_guide_prints_what_it_says(tmp_path: Path) -> None:
    """Run as it stands there, without a main guard, beside the sample; it writes its table."""
    (script,) = re.findall(r"```python\n(.*?)```", GUIDE, re.DOTALL)
    said = GUIDE.split(script, 1)[1].split("```text\n", 1)[1].split("```", 1)[0]
    assert len(script.splitlines()) == 8
    shutil.copytree(ROOT / "sample_history", tmp_path / "sample_history")
    (tmp_path / "script.py").write_text(script, encoding="utf-8")
    ran = subprocess.run(
        [sys.executable, "script.py"], capture_output=True, text=True, cwd=tmp_path, check=False
    )
    assert (ran.returncode, ran.stderr, ran.stdout) == (0, "", said)
    written = pl.read_csv(tmp_path / "drifting.csv")
    assert written["meter_id"].to_list() == re.findall(r"AM-\d\d", said.split("\n", 1)[1])
