"""Print the state of each clause on several records: `python -m tests.benchmarks.clause_states`.

The sample history; the same without its service records; with a breach planted in it (AM-01 is
left outside at its last visit and then used); the three real histories.
"""

import csv
import shutil
import tempfile
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

from drift.api.reviews import review_source
from drift.review.clauses.answers import answer_clauses
from drift.review.policy import read_policy
from sample_history import make
from tests.real_histories import (
    CTD_POLICY,
    write_kilogram_check_standard,
    write_resistivity_check_standard,
    write_thermometer_fleet,
)

SAMPLE = Path(make.__file__).parent
BREACHED = "AM-01"


def sample(folder: Path) -> None:
    """Copy the sample history."""
    for path in SAMPLE.glob("*.csv"):
        shutil.copy(path, folder)


def without_service(folder: Path) -> None:
    """Copy the sample history without its service records."""
    sample(folder)
    (folder / "service.csv").unlink()


def with_breach(folder: Path) -> None:
    """Copy the sample history, one meter left outside at its last visit and then used."""
    sample(folder)
    path = folder / "readings.csv"
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    last = max(row["performed_on"] for row in rows if row["meter_id"] == BREACHED)
    for row in rows:
        if (row["meter_id"], row["performed_on"]) == (BREACHED, last):
            row["reading_air_pct"] = f"{float(row['reading_air_pct']) + 0.2:.2f}"
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    used = date.fromisoformat(last) + timedelta(days=7)
    with (folder / "field_tests.csv").open("a", encoding="utf-8") as file:
        file.write(f"FT-9999,{BREACHED},{used},6.0,4.5,7.5,slab,\n")


RECORDS: tuple[tuple[str, Callable[[Path], None], date, str], ...] = (
    ("sample", sample, date(2026, 10, 1), ""),
    ("no service", without_service, date(2026, 10, 1), ""),
    ("breach", with_breach, date(2026, 10, 1), ""),
    ("thermometers", write_thermometer_fleet, date(2025, 12, 31), CTD_POLICY),
    ("kilogram", write_kilogram_check_standard, date(1988, 12, 31), "baseline_visits = 99\n"),
    ("resistivity", write_resistivity_check_standard, date(2001, 12, 31), "baseline_visits = 25\n"),
)


def main() -> None:
    """Review each of the records and print one row a clause."""
    columns = []
    with tempfile.TemporaryDirectory() as home:
        for name, write, as_of, policy in RECORDS:
            here = Path(home) / name
            source, choices = here / "source", here / "policy.toml"
            source.mkdir(parents=True)
            write(source)
            choices.write_text(policy, encoding="utf-8")
            review = review_source(
                source,
                out=here / "out",
                as_of=as_of,
                policy=read_policy(choices),
                with_pages=False,
                progress=lambda _done, _of: None,
            ).review
            columns.append({one.clause: one.state for one in answer_clauses(review)})
    print("clause", *(name for name, *_ in RECORDS), sep=" | ")
    for clause in columns[0]:
        print(clause, *(told[clause] for told in columns), sep=" | ")


if __name__ == "__main__":
    main()
