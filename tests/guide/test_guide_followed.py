"""The README and each task of the guide, followed from an empty folder, command by command."""

import csv
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from drift.guide.texts import TOPICS, topic, topics
from tests.command_line import run_here
from tests.guide.follow import LEFT_OUT, follow, on_the_day, shows, steps
from tests.guide.laboratory import TODAY, fill_in, fill_round, write_history, write_log, write_study
from tests.guide.reading_ease import README
from tests.intake.test_bench_file import row_of, saved

ROOT = README.parent


def copy_in(folder: Path) -> None:
    """Copy a laboratory's own workbook into the folder of what comes in."""
    if not (folder / "records" / "incoming" / "log.xlsx").exists():
        write_log(folder / "records" / "incoming")


def filled(folder: Path) -> Path:
    """Fill in what a sheet asks of AM-11: it reads right."""
    return fill_in(folder / "sheet", "AM-11", day=TODAY, biases={0: 0.0, 5: 0.0, 10: 0.0})


def fill_workbook(folder: Path) -> None:
    """Fill in the workbook of the round."""
    fill_round(folder / "sheet")


def put_study(folder: Path) -> None:
    """Put a study among the tables."""
    write_study(folder / "records" / "history")


def begin_with_study(folder: Path) -> None:
    """Fill the records of a laboratory that has made a study."""
    write_history(folder / "records" / "history")
    put_study(folder)


def keep_store(folder: Path) -> None:
    """Keep the history in a store, as a laboratory does that loads into one."""
    ran = run_here("intake", "records/history", "--store", "fleet.duckdb", cwd=folder)
    assert ran.returncode == 0


def save_visit(folder: Path) -> None:
    """Save a visit as the page of the bench does, out of tolerance."""
    rows = [
        row_of("5.40", meter_id="AM-05", performed_on=TODAY, replicate=str(number))
        for number in (1, 2)
    ]
    saved(folder / "visit-2026-10-01.json", readings=rows)


def answer(folder: Path) -> None:
    """Fill in the first row of the open points of a review."""
    path = folder / "review" / "data" / "open_points.csv"
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    first = next(row for row in rows if row["meter_id"] == "AM-05")
    first |= {"finding": "nothing", "action": "none", "by": "A. Person", "on": TODAY}
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


# What a person does between commands, by topic and by the command that comes after it.
BY_HAND: dict[str, dict[str, Callable[[Path], object]]] = {
    "first-hour": {"drift import": copy_in},
    "bench-day": {
        "drift check records/history sheet/as_found": filled,
        "drift check records/history sheet/round": fill_workbook,
        "drift check records/history visit": save_visit,
        "drift intake": keep_store,
    },
    "repeatability": {"drift study": put_study},
    "journal": {"drift respond records/history --from": answer},
}
# Two readings out of tolerance.
CODES = {"bench-day": {"drift check records/history visit": 3}}
# Followed: every task, and what else shows commands to type.
FOLLOWED = [name for name in TOPICS if steps(topic(name).text)]


@pytest.mark.parametrize("name", FOLLOWED)
def test_a_topic_is_followed_from_an_empty_folder(name: str, tmp_path: Path) -> None:
    """Each command works where the text gives it, and its screen is what it printed.

    The first hour makes the records; the other topics begin with those of the laboratory.
    """
    if name != "first-hour":
        with on_the_day():
            run_here("start", "records", cwd=tmp_path)
        write_history(tmp_path / "records" / "history")
    text = topic(name).text
    follow(text, tmp_path, by_hand=BY_HAND.get(name, {}), codes=CODES.get(name, {}))


def test_every_task_shows_a_command() -> None:
    """The six tasks, and the journal."""
    assert {*TOPICS[:7]} <= {*FOLLOWED}


def test_the_readme_is_followed_from_an_empty_folder(tmp_path: Path) -> None:
    """Its tasks on the sample, after the line that installs it."""
    shutil.copytree(ROOT / "sample_history", tmp_path / "sample_history")
    tasks = README.read_text(encoding="utf-8").split("\n## By task\n")[1]
    assert len(steps(tasks)) >= 7
    by_hand = BY_HAND["first-hour"] | {"drift study": begin_with_study}
    follow(tasks, tmp_path, by_hand=by_hand, codes={})


def test_screens_stand_below_the_command_that_makes_them() -> None:
    """No screen without a command in the guide, save in the topic of scripts."""
    for one in topics():
        shown = len(re.findall(r"^```text$", one.text, re.MULTILINE))
        made = sum(step.screen is not None for step in steps(one.text))
        assert one.name == "python" or shown == made, one.name


@pytest.mark.parametrize(
    ("screen", "same"),
    [
        ("a\nbc\n", True),
        ("a\n", False),
        (f"a\n{LEFT_OUT}\n", True),
        (f"{LEFT_OUT}\nbc\n", True),
        ("a\nb\n", False),
        (f"a\nb {LEFT_OUT}\n", False),
        (f"{LEFT_OUT}\na\n", False),
    ],
)
def test_a_screen_is_what_was_printed(screen: str, *, same: bool) -> None:
    """Line by line, but for what is said to be left out."""
    assert shows(screen, "a\nbc\n") == same
