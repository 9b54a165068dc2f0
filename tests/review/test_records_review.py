"""What the rows themselves say of a meter, from written files to terminal, pages and data."""

import csv
import subprocess
from datetime import date, timedelta
from pathlib import Path

import pytest

from tests.command_line import run_here as drift
from tests.csv_folders import readings, write

AS_OF = "2026-10-01"
FIRST = date(2024, 10, 10)


def quarterly(meter: str, *, visits: int = 8) -> list[str]:
    """Return visits every 91 days that pass at 0 and 5 %; of eight, the last is on 9 July 2026."""
    return [
        f"{meter},{FIRST + timedelta(days=91 * place)},as_found,{point},{point}"
        for place in range(visits)
        for point in ("0.0", "5.0")
    ]


def spaced(text: str) -> str:
    return text.replace("\u00a0", " ").replace("\u202f", " ")


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, subprocess.CompletedProcess[str]]:
    """Review four meters, each with something in its rows.

    One's gross failure was typed with a unit, one is overdue with a newer row that could not be
    read, one overdue and in use, one written in two ways.
    """
    folder = tmp_path_factory.mktemp("records")
    rows = [
        *quarterly("AM-01"),
        "AM-01,2026-09-15,as_found,5.0,5.6 %",
        "AM-01,2026-09-15,as_found,5.0,5.6 %",
        *quarterly("AM-02", visits=6),
        "am-02,2026-07-01,as_found,5.0,5,0",
        *quarterly("AM-03", visits=6),
        *quarterly("AM-04"),
        *quarterly("am 4", visits=2),
    ]
    source = write(
        folder / "in",
        readings=readings(*rows),
        field_tests=(
            "test_id,meter_id,tested_on,air_pct\n"
            "T-1,AM-01,2026-08-01,5.5\nT-2,AM-03,2026-09-01,5.5\nT-3,AM-03,2024-12-01,5.5\n"
        ),
    )
    made = folder / "out"
    ran = drift("review", source, "--out", made, "--as-of", AS_OF)
    assert ran.returncode == 0, ran.stderr
    return made, ran


def table(out: Path, name: str) -> list[dict[str, str]]:
    with (out / "data" / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def owed(out: Path, meter: str) -> dict[str, str]:
    rows = table(out, "obligations")
    return {row["obligation"]: row["sentence"] for row in rows if row["meter_id"] == meter}


def meter(out: Path, meter_id: str) -> dict[str, str]:
    return next(row for row in table(out, "meters") if row["meter_id"] == meter_id)


def test_a_failure_typed_with_a_unit_is_part_of_its_meters_story(
    out: tuple[Path, subprocess.CompletedProcess[str]],
) -> None:
    """In reason, obligations and dossier, newest first; the meter is watched, not held."""
    made, _ = out
    row = meter(made, "AM-01")
    words = "a reading of 15 Sep 2026: '5.6 %' carries a unit"
    assert row["standing"] == "watch"
    assert words in row["reason"]
    assert words in owed(made, "AM-01")["close_file"]
    page = spaced((made / "meters" / "AM-01.html").read_text(encoding="utf-8"))
    assert page.count("A reading of 15 Sep 2026: &#39;5.6 %&#39; carries a unit") == 2
    assert [row["on_date"] for row in table(made, "unread_rows")][:2] == ["2026-09-15"] * 2


def test_overdue_is_said_as_far_as_rows_could_be_read(
    out: tuple[Path, subprocess.CompletedProcess[str]],
) -> None:
    """AM-02 has a newer row, written for am-02 with a decimal comma; AM-03 has none."""
    made, _ = out
    doubt = "as far as its rows could be read"
    assert doubt in owed(made, "AM-02")["overdue"]
    assert "written for ‘am-02’" in owed(made, "AM-02")["close_file"]
    assert doubt not in owed(made, "AM-03")["overdue"]


def test_too_many_rows_not_taken_come_before_any_verdict(
    out: tuple[Path, subprocess.CompletedProcess[str]],
) -> None:
    """Three of 63 rows: above the 2 % of the policy, on the terminal and on the page."""
    made, ran = out
    lines = spaced(ran.stdout).splitlines()
    told = "3 of 63 rows of readings (5 %) could not be read: all that follows rests on the others."
    at = lines.index(f"First: {told}")
    assert lines[at + 1].startswith("5 meters on ")
    page = spaced((made / "index.html").read_text(encoding="utf-8"))
    assert page.index(told) < page.index("Do not use")


def test_use_while_overdue_is_listed_counted_and_owed(
    out: tuple[Path, subprocess.CompletedProcess[str]],
) -> None:
    """T-2 of AM-03 alone: T-1 was made in time, T-3 long ago."""
    made, ran = out
    rows = table(made, "barred_uses")
    assert [(row["meter_id"], row["test_id"], row["why"]) for row in rows] == [
        ("AM-03", "T-2", "overdue")
    ]
    counted = "1 field test was made with 1 meter not to be used then (overdue)."
    assert counted in spaced(ran.stdout)
    assert counted in spaced((made / "index.html").read_text(encoding="utf-8"))
    assert "field test T-2 of 1 Sep 2026" in owed(made, "AM-03")["close_file"]
    page = spaced((made / "meters" / "AM-03.html").read_text(encoding="utf-8"))
    assert "Field test T-2 of 1 Sep 2026: overdue since" in page


def test_a_meter_written_in_two_ways_is_told_and_not_merged(
    out: tuple[Path, subprocess.CompletedProcess[str]],
) -> None:
    """AM-04 and am 4 stay two meters, each told of the other."""
    made, _ = out
    assert "possibly the same meter as am 4" in owed(made, "AM-04")["close_file"]
    assert "possibly the same meter as AM-04" in meter(made, "am 4")["reason"]
    assert (meter(made, "AM-04")["visits"], meter(made, "am 4")["visits"]) == ("8", "2")


def test_a_share_that_the_laboratory_allows_is_not_told(tmp_path: Path) -> None:
    """With a limit of 10 %, 3 of 63 rows are in the list of rows held back alone."""
    folder = write(
        tmp_path / "in", readings=readings(*quarterly("A"), "A,2026-09-15,as_found,5.0,x")
    )
    policy = tmp_path / "policy.toml"
    policy.write_text("untaken_readings_share = 0.1\n", encoding="utf-8")
    asked = ("review", folder, "--out", tmp_path / "out", "--as-of", AS_OF, "--data-only")
    assert "First: " in drift(*asked).stdout
    assert "First: " not in drift(*asked, "--policy", policy).stdout
