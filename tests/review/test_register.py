"""The register: what is due when, and calibrations by somebody or with something not in order."""

from datetime import date
from pathlib import Path

import polars as pl
import pytest

from drift.api.reviews import find
from drift.report.pages.register import labels_page, register_page, site_pages
from drift.report.render import html_labels, html_register, html_site
from drift.review.policy import Policy
from drift.review.register import due_items, register_of
from drift.review.register_faults import register_faults
from drift.review.results import Review
from tests.csv_folders import write

AS_OF = date(2026, 10, 1)
DAYS = ("2025-11-10", "2026-02-10", "2026-05-12", "2026-08-11")
PEOPLE = """operator,task,authorised_on,authorised_until,authorised_by
tech-1,calibration of air meters,2025-01-01,,manager
tech-2,calibration of air meters,2025-01-01,2026-03-31,manager
tech-3,calibration of air meters,2026-06-01,,manager
tech-4,field tests,2020-01-01,,manager
"""
EQUIPMENT = """equipment_id,kind,calibrated_on,due_on,certificate,issued_by
SC-1,balance,2025-01-15,2026-01-15,C-100,lab A
SC-1,balance,2026-03-01,2027-03-01,C-120,lab A
TH-1,thermometer,2025-06-01,2026-06-01,C-101,lab A
CV-B,vessel,2025-02-01,2026-02-01,C-102,lab B
CV-C,vessel,2026-09-01,2027-09-01,C-103,lab B
"""
VESSELS = """vessel_id,calibrated_on,air_pct,scale_id
CV-A,2025-02-01,5.0,SC-1
CV-A,2026-02-01,5.0,SC-1
CV-A,2026-04-01,5.0,SC-9
"""
METERS = """meter_id,site,maker,model,serial,in_service_on,status,procedure
M-1,north,Maker,X,101,2012-01-01,active,P-7 ed. 3
M-2,north,Maker,X,102,2024-01-01,on_loan,
M-3,south,Maker,Y,103,2024-01-01,active,
M-4,south,,,,,retired,
"""
# Who read each meter on each of the days, and with which vessel.
READ = {
    "M-1": (("tech-1", "CV-A"),) * 4,
    "M-2": (("tech-2", "CV-B"), ("tech-2", "CV-B"), ("tech-2", "CV-A"), ("tech-3", "CV-A")),
    "M-3": (("tech-3", "CV-A"), ("tech-9", "CV-C"), ("tech-4", "CV-Z"), ("tech-1", "cv-a")),
}


@pytest.fixture(scope="module")
def review(tmp_path_factory: pytest.TempPathFactory) -> Review:
    """Return a review of a laboratory that keeps every table of the register."""
    rows = [
        f"{meter},{day},as_found,{at},{at},{who},{vessel if at else ''}"
        for meter, read in READ.items()
        for day, (who, vessel) in zip(DAYS, read, strict=True)
        for at in (0, 5)
    ]
    header = "meter_id,performed_on,stage,correct_air_pct,reading_air_pct,operator,vessel_id"
    folder = write(
        tmp_path_factory.mktemp("lab"),
        readings="\n".join((header, *rows, "")),
        people=PEOPLE,
        equipment=EQUIPMENT,
        vessels=VESSELS,
        meters=METERS,
    )
    return find(folder, as_of=AS_OF, policy=Policy())


def test_what_is_due_is_told_of_meters_equipment_and_people(review: Review) -> None:
    """Of each the latest record counts; a retired meter is not due, one on loan is."""
    due = due_items(review)
    told = {(row["kind"], row["item"]): row for row in due.iter_rows(named=True)}
    assert {key: row["due_on"].isoformat() for key, row in told.items() if key[0] != "meter"} == {
        ("balance", "SC-1"): "2027-03-01",
        ("thermometer", "TH-1"): "2026-06-01",
        ("vessel", "CV-B"): "2026-02-01",
        ("vessel", "CV-C"): "2027-09-01",
        ("person", "tech-2"): "2026-03-31",
    }
    assert {item for kind, item in told if kind == "meter"} == {"M-1", "M-2", "M-3"}
    assert told["meter", "M-2"]["by"] == "tech-3"
    assert told["thermometer", "TH-1"]["overdue"]
    assert not told["balance", "SC-1"]["overdue"]
    assert due["due_on"].is_sorted()


def test_calibrations_not_in_order_are_told(review: Review) -> None:
    """A person unknown, authorised later or no longer; a vessel unknown, later or past its end."""
    told = [
        (row["meter_id"], row["performed_on"].isoformat(), row["fault"], row["item"])
        for row in register_faults(review).iter_rows(named=True)
    ]
    assert sorted(told, key=str) == sorted(
        [
            ("M-2", "2026-02-10", "calibration_ended", "CV-B"),
            ("M-2", "2026-05-12", "person_not_authorised", "tech-2"),
            ("M-3", "2025-11-10", "person_not_authorised", "tech-3"),
            ("M-3", "2026-02-10", "person_not_on_record", "tech-9"),
            ("M-3", "2026-02-10", "vessel_not_calibrated", "CV-C"),
            ("M-3", "2026-05-12", "person_not_on_record", "tech-4"),
            ("M-3", "2026-05-12", "vessel_not_on_record", "CV-Z"),
            (None, "2026-02-01", "calibration_ended", "SC-1"),
            (None, "2026-04-01", "balance_not_on_record", "SC-9"),
        ],
        key=str,
    )
    sentences = register_faults(review)["sentence"].str.replace_all("\u00a0", " ").to_list()
    assert (
        "The calibration of M-3 on 10 Nov 2025 is by tech-3, who was authorised only later, on "
        "1 Jun 2026." in sentences
    )


def test_the_register_says_what_each_meter_is_and_what_it_stands_on(review: Review) -> None:
    """Identity by the meters table; who, with what and by which procedure by the last visit."""
    rows = {row["meter_id"]: row for row in register_of(review).iter_rows(named=True)}
    assert rows["M-1"]["serial"] == "101"
    assert rows["M-1"]["procedure"] == "P-7 ed. 3"
    assert (rows["M-2"]["calibrated_by"], rows["M-2"]["vessels"]) == ("tech-3", "CV-A")
    assert rows["M-1"]["age_years"] == pytest.approx(14.75, abs=0.01)
    assert rows["M-4"]["calibrated_on"] is None


def test_intervals_are_given_by_maker_age_and_site(review: Review) -> None:
    """Each group that is not the fleet has a recommendation of its own."""
    intervals = review.upkeep.intervals.filter(scope="like", method="recommendation")
    assert {name for name in intervals["name"] if "read to" not in name} == {
        "made by Maker X",
        "made by Maker Y",
        "in use for up to 5 years",
        "in use for over 10 years",
        "kept at north",
        "kept at south",
    }


def test_pages_show_labels_sites_and_what_is_overdue(review: Review) -> None:
    """A label a meter in use, a page a site in the order in which meters are due."""
    labels = html_labels(labels_page(review))
    assert labels.count('class="label"') == 3
    for words in ("M-1", "101", "tech-1", "Maker X"):
        assert words in labels
    sites = site_pages(review)
    assert [(site.name, [row.meter_id for row in site.rows]) for site in sites] == [
        ("north", ["M-1", "M-2"]),
        ("south", ["M-3"]),
    ]
    assert "on loan" in html_site(sites[0])
    page = register_page(review)
    assert page.faults_total == 9
    assert page.lacking == ("bowls: what fills each bowl, so that a vessel's air content fits it",)
    assert "TH-1" in html_register(page)


def test_readings_of_a_meter_of_another_type_are_not_judged(tmp_path: Path) -> None:
    """Type A: its readings are left out with the reason, all others are judged."""
    header = "meter_id,performed_on,stage,correct_air_pct,reading_air_pct\n"
    rows = "".join(f"{one},{day},as_found,5,5.0\n" for one in ("M-1", "W-1") for day in DAYS)
    folder = write(
        tmp_path / "lab", r=header + rows, m="meter_id,status,type\nM-1,active,B\nW-1,active,A\n"
    )
    found = find(folder, as_of=AS_OF, policy=Policy())
    assert found.meters["meter_id"].to_list() == ["M-1"]
    (reason,) = found.sources.held_back.filter(pl.col("reason").str.starts_with("no reading"))[
        "reason"
    ]
    assert reason.startswith("no reading of W-1 is judged (4 on record): type: ")
    assert "barometer" in reason
