"""What may be wrong with the cells of a row, and the words in which it is said."""

from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drift.intake.column import Column
from drift.intake.columns import TABLES
from drift.store.loading import take_folder
from drift.store.opening import open_store
from tests.csv_folders import counts, held, load, read, readings, take, write

GOOD = {
    "meter_id": "A-1",
    "performed_on": "2024-01-05",
    "stage": "as_found",
    "correct_air_pct": "5",
    "reading_air_pct": "5.1",
    "replicate": "1",
    "resolution_pct": "0.1",
    "water_temp_c": "20",
}
DATE_REMEDY = 'declare another layout in mapping.toml: [dates] format = "%d/%m/%Y"'
COMMA_REMEDY = (
    "has a comma; write decimals with a point, or separate the cells of the file by semicolons"
)


def quoted(cell: str) -> str:
    return '"' + cell.replace('"', '""') + '"'


def table(*rows: dict[str, str]) -> str:
    lines = [",".join(quoted(cell) for cell in row.values()) for row in rows]
    return "\n".join((",".join(rows[0]), *lines, ""))


UNUSABLE = (
    ("meter_id", " ", "is empty but needed"),
    ("performed_on", "", "is empty but needed"),
    ("reading_air_pct", "abc", "'abc' is not a number"),
    ("reading_air_pct", "-", "'-' is not a number"),
    ("reading_air_pct", "5.1.1", "'5.1.1' is not a number"),
    ("reading_air_pct", "5 1", "'5 1' is not a number"),
    ("reading_air_pct", "0x10", "'0x10' is not a number"),
    ("reading_air_pct", "#DIV/0!", "'#DIV/0!' is not a number"),
    ("reading_air_pct", "=1+1", "'=1+1' is not a number"),
    ("reading_air_pct", "٥", "'٥' is not a number"),
    (
        "reading_air_pct",
        "NaN",
        "'NaN' is not a number; leave the cell empty where nothing was read",
    ),
    (
        "reading_air_pct",
        "-inf",
        "'-inf' is not a number; leave the cell empty where nothing was read",
    ),
    ("reading_air_pct", "1e999", "'1e999' is larger than any value that can be meant"),
    ("reading_air_pct", "12345678901", "'12345678901' is larger than any value that can be meant"),
    ("reading_air_pct", "1_000", "'1_000' has a thousands separator; write digits alone"),
    ("reading_air_pct", "1,234.5", "'1,234.5' has a thousands separator; write digits alone"),
    ("reading_air_pct", "1.234,5", "'1.234,5' has a thousands separator; write digits alone"),
    ("reading_air_pct", "1 234", "'1 234' has a thousands separator; write digits alone"),
    ("reading_air_pct", "0.12%", "'0.12%' carries a unit; write the number alone"),
    ("water_temp_c", "21 °C", "'21 °C' carries a unit; write the number alone"),
    ("reading_air_pct", "5,1", f"'5,1' {COMMA_REMEDY}"),
    ("reading_air_pct", "47", "47 is outside -10 to 30 % air"),
    ("reading_air_pct", "-10.1", "-10.1 is outside -10 to 30 % air"),
    ("correct_air_pct", "-0.001", "-0.001 is outside 0 to 30 % air"),
    ("water_temp_c", "68", "68 is outside -5 to 60 °C"),
    ("resolution_pct", "0", "0 is outside 1e-06 to 1 % air"),
    ("replicate", "0", "0 is below 1"),
    ("replicate", "1.5", "'1.5' is not a whole number"),
    ("replicate", "3000000000", "'3000000000' is larger than any value that can be meant"),
    ("performed_on", "2023-02-30", "'2023-02-30' is a day that does not exist"),
    ("performed_on", "2024-13-01", "'2024-13-01' is a day that does not exist"),
    ("performed_on", "05/01/2024", f"'05/01/2024' is not a date such as 2024-01-31; {DATE_REMEDY}"),
    ("performed_on", "2024-1-5", f"'2024-1-5' is not a date such as 2024-01-31; {DATE_REMEDY}"),
    ("performed_on", "today", f"'today' is not a date such as 2024-01-31; {DATE_REMEDY}"),
    (
        "performed_on",
        "2024-01-05 10:00",
        f"'2024-01-05 10:00' is not a date such as 2024-01-31; {DATE_REMEDY}",
    ),
    ("performed_on", "0202-01-05", "'0202-01-05' is outside the years 1900 to 2100"),
    ("stage", "before", "'before' is none of as_found, as_left"),
    ("stage", "As found", "'As found' is none of as_found, as_left; did you mean as_found?"),
    ("stage", "asleft", "'asleft' is none of as_found, as_left; did you mean as_left?"),
)


def test_a_cell_that_cannot_be_used_holds_its_row_back(tmp_path: Path) -> None:
    """File, line, column and reason are exact, and the rows between them are taken."""
    rows = [
        row
        for number, (column, cell, _) in enumerate(UNUSABLE)
        for row in (GOOD | {"meter_id": f"A-{number}"}, GOOD | {column: cell})
    ]
    summary = take(write(tmp_path, r=table(*rows)))
    assert held(summary) == [
        ("r.csv", 3 + 2 * number, column, reason)
        for number, (column, _, reason) in enumerate(UNUSABLE)
    ]
    assert counts(summary) == {"r.csv": (2 * len(UNUSABLE), len(UNUSABLE), len(UNUSABLE), 0, 0)}


READABLE = (
    ("5.1", 0.1),
    ("+5.1", 0.1),
    ("5.10", 0.1),
    ("05.1", 0.1),
    ("51e-1", 0.1),
    ("0.51E1", 0.1),
    ("5.", 0.0),
    (".1", -4.9),
    ("−0.1", -5.1),
    ("-0.1", -5.1),
    ("\u00a05.1\u00a0", 0.1),
    ("3.1", -1.9),
    ("30", 25.0),
    ("-10", -15.0),
)


def test_a_number_is_read_as_it_is_written(tmp_path: Path) -> None:
    """Values are exact in decimal, so that equality holds to the last bit."""
    rows = [
        GOOD | {"reading_air_pct": cell, "replicate": str(number)}
        for number, (cell, _) in enumerate(READABLE, start=1)
    ]
    _, sources = load(write(tmp_path, r=table(*rows)))
    assert sources.sessions["biases_pct"].to_list() == [[bias for _, bias in READABLE]]


def test_a_difference_of_a_tenth_is_a_tenth(tmp_path: Path) -> None:
    """3.1 − 3.0 is 0.1 in decimal, where binary floats give 0.10000000000000009."""
    assert 3.1 - 3.0 > 0.1
    _, sources = load(write(tmp_path, r=readings("A,2024-01-05,as_found,3.0,3.1")))
    assert sources.sessions["bias_pct"].to_list() == [0.1]


def test_several_reasons_of_one_row_are_all_named(tmp_path: Path) -> None:
    """Who puts a row right wants to do it once."""
    row = ",2024-02-30,found,50,x,0"
    summary = take(write(tmp_path, r=readings(row, columns="replicate")))
    assert held(summary) == [
        ("r.csv", 2, "correct_air_pct", "50 is outside 0 to 30 % air"),
        ("r.csv", 2, "meter_id", "is empty but needed"),
        ("r.csv", 2, "performed_on", "'2024-02-30' is a day that does not exist"),
        ("r.csv", 2, "reading_air_pct", "'x' is not a number"),
        ("r.csv", 2, "replicate", "0 is below 1"),
        ("r.csv", 2, "stage", "'found' is none of as_found, as_left; did you mean as_found?"),
    ]
    assert counts(summary) == {"r.csv": (1, 0, 1, 0, 0)}


OTHER_TABLES = (
    (
        "meter_id,performed_on,mark,mark_unit,action",
        "A,2024-01-05,-1.5,bar,moved",
        "mark_unit",
        "'bar' is none of dial_pct, kpa, psi",
    ),
    (
        "meter_id,performed_on,mark,action",
        "A,2024-01-05,-1.5,move",
        "action",
        "'move' is none of verified, moved, established; did you mean moved?",
    ),
    (
        "meter_id,performed_on,action",
        "A,2024-01-05,fell",
        "action",
        (
            "'fell' is none of hand_reset, gauge_replaced, seal_replaced, chamber_dried, "
            "chamber_flooded, cleaned, dropped, moved, other"
        ),
    ),
    (
        "meter_id,status",
        "A,retire",
        "status",
        ("'retire' is none of active, on_loan, withdrawn, retired; did you mean retired?"),
    ),
    (
        "meter_id,serial,type",
        "A,7,Type A",
        "type",
        (
            "'Type A' is a meter that is read by the level of its water: its reading changes with "
            "the barometer and its vessel is calibrated otherwise, so that nothing here would hold "
            "for it"
        ),
    ),
    ("meter_id,serial,type", "A,7,C", "type", "'C' is none of B"),
    (
        "meter_id,received_on,removed_on",
        "A,2024-01-05,2024-01-04",
        "removed_on",
        "'2024-01-04' is before received_on, '2024-01-05'",
    ),
    (
        "meter_id,measured_on,bowl_water_mass_g,bowl_volume_l",
        "A,2024-01-05,,",
        "bowl_water_mass_g",
        "is empty, and so is bowl_volume_l; one of them is needed",
    ),
    (
        "equipment_id,kind,calibrated_on,due_on",
        "B-1,balance,2024-01-05,2023-01-05",
        "due_on",
        "'2023-01-05' is before calibrated_on, '2024-01-05'",
    ),
    (
        "equipment_id,kind,calibrated_on,due_on",
        "B-1,scales,2024-01-05,2025-01-05",
        "kind",
        "'scales' is none of vessel, balance, thermometer, check_meter, other",
    ),
    (
        "operator,task,authorised_on,authorised_until",
        "x,calibration,2024-01-05,2023-01-05",
        "authorised_until",
        "'2023-01-05' is before authorised_on, '2024-01-05'",
    ),
    (
        "meter_id,performed_on,check,value",
        "A,2024-01-05,zero,Yes",
        "value",
        "'Yes' is written yes here",
    ),
    (
        "meter_id,performed_on,check,value",
        "A,2024-01-05,leak,fine",
        "value",
        "'fine' is neither a number nor yes or no",
    ),
    (
        "meter_id,performed_on,check,value",
        'A,2024-01-05,leak,"0,5"',
        "value",
        (
            "'0,5' has a comma; write decimals with a point, or separate the cells of the file by "
            "semicolons"
        ),
    ),
    (
        "study_id,meter_id,performed_on,correct_air_pct,reading_air_pct",
        "S,A,2024-01-05,5,50",
        "reading_air_pct",
        "50 is outside -10 to 30 % air",
    ),
    (
        "comparison_id,compared_on,meter_id,air_pct,other,other_air_pct",
        "C,2024-01-05,A,5,roll,5",
        "other",
        "'roll' is none of second_meter, gravimetric, volumetric, assigned_value",
    ),
    (
        "decision_id,meter_id,about,decided_on,decision,decided_by",
        "D,A,2024-01-05,2024-01-04,stands,x",
        "decided_on",
        "'2024-01-04' is before about, '2024-01-05'",
    ),
    (
        "meter_id,in_service_on",
        "A,1.2.2024",
        "in_service_on",
        (f"'1.2.2024' is not a date such as 2024-01-31; {DATE_REMEDY}"),
    ),
    ("meter_id,interval_days", "A,0", "interval_days", "0 is outside 1 to 3660 days"),
    (
        "vessel_id,calibrated_on,air_pct",
        "V,2024-01-05,31",
        "air_pct",
        ("31 is outside 0 to 30 % air"),
    ),
    (
        "vessel_id,calibrated_on,water_mass_g",
        "V,2024-01-05,300",
        "air_pct",
        (
            "is empty, and so is water_mass_g or bowl_water_mass_g; one way of knowing the air "
            "content is needed"
        ),
    ),
    (
        "vessel_id,calibrated_on,water_mass_g,bowl_water_mass_g",
        "V,2024-01-05,354,7.0",
        "air_pct",
        (
            "is empty, and 100 × water_mass_g / bowl_water_mass_g is 5057.1, outside the "
            "bounds of air_pct"
        ),
    ),
    (
        "vessel_id,calibrated_on,water_mass_g,bowl_water_mass_g",
        "V,2024-01-05,354,0.7",
        "bowl_water_mass_g",
        "0.7 is below 1 g",
    ),
    ("test_id,meter_id,tested_on,air_pct", "T,A,2024-01-05,", "air_pct", "is empty but needed"),
    (
        "signal_id,recorded_on,finding,action,recorded_by",
        "s,2024-01-05,f,,who",
        "action",
        "is empty but needed",
    ),
)


def test_other_tables_are_checked_alike(tmp_path: Path) -> None:
    """Each table holds back by the words and bounds that its columns declare."""
    files = {
        f"t{number:02}": f"{header}\n{row}\n"
        for number, (header, row, _, _) in enumerate(OTHER_TABLES)
    }
    summary = take(write(tmp_path, a=readings("A,2024-01-05,as_found,5,5"), **files))
    assert held(summary) == [
        (f"t{number:02}.csv", 2, column, reason)
        for number, (_, _, column, reason) in enumerate(OTHER_TABLES)
    ]


def test_a_vessel_is_known_by_its_content_or_by_both_masses(tmp_path: Path) -> None:
    """R = 100·w/W needs both masses of water; what was recorded is kept as it is."""
    folder = write(
        tmp_path,
        a=readings("A,2024-01-05,as_found,5,5"),
        v="vessel_id,calibrated_on,air_pct,water_mass_g,bowl_water_mass_g\n"
        "V-1,2024-01-05,5.02,,\nV-2,2024-01-05,,354.2,7080.5\nV-3,2024-01-05,5,1,\n",
    )
    summary, sources = load(folder)
    assert held(summary) == []
    assert sources.vessels["air_pct"].to_list() == [5.02, None, 5.0]
    assert sources.vessels["water_mass_g"].to_list() == [None, 354.2, 1.0]


IDS = (
    "000123",
    "1E5",
    "NaN",
    "null",
    "a/b\\c",
    'O\'Brien "x"',
    "<script>alert(1)</script>",
    "é" * 300,
    "=HYPERLINK(1)",
    "two\nlines",
    "'; drop table readings; --",
    "$file_no",
    "😀",
    "a,b",
    "a;b",
)


def test_an_id_is_text_whatever_it_looks_like(tmp_path: Path) -> None:
    """Leading zeros, quotes, tags and 300 characters are kept as they are."""
    summary, sources = load(write(tmp_path, r=table(*(GOOD | {"meter_id": name} for name in IDS))))
    assert held(summary) == []
    assert sources.sessions["meter_id"].to_list() == sorted(IDS)


def test_a_long_cell_is_shown_short(tmp_path: Path) -> None:
    """A reason stays one line of sixty characters of the cell."""
    cell = "x" * 70 + "\n" + "y" * 10_000
    summary = take(write(tmp_path, r=table(GOOD | {"reading_air_pct": cell})))
    assert held(summary) == [("r.csv", 2, "reading_air_pct", f"'{'x' * 60}…' is not a number")]


def cells(column: Column) -> st.SearchStrategy[str]:
    """Return texts of a column that can be read, written the one way that is given back."""
    if column.choices:
        return st.sampled_from(column.choices)
    if column.kind == "date":
        return st.dates(date(1900, 1, 1), date(2100, 12, 31)).map(str)
    if column.kind == "answer":
        return st.sampled_from(["yes", "no", "0.25", "-3", "12"])
    if column.kind == "text":
        letters = st.characters(
            exclude_categories=("Cs", "Cc"), exclude_characters="\u2028\u2029\ufeff\u200b\u2060"
        )
        return (
            st.text(letters, min_size=1, max_size=30)
            .map(str.strip)
            .filter(lambda text: bool(text.strip(" \t\v\f\u00a0\u2007\u202f")))
        )
    low = -999_999 if column.low is None else column.low
    high = 999_999 if column.high is None else column.high
    if column.kind == "whole":
        return st.integers(int(low), int(high)).map(str)
    return st.decimals(Decimal(str(low)), Decimal(str(high)), places=6).map(str)


# Days of one row, none of which can be before one that stands before it.
DAYS_IN_ORDER = (
    *("received_on", "in_service_on", "removed_on", "calibrated_on", "due_on"),
    *("authorised_on", "authorised_until", "about", "decided_on"),
)


@st.composite
def rows_of(draw: st.DrawFn, name: str) -> list[dict[str, str]]:
    """Return rows of a table with different keys, and limits in their order."""
    columns = TABLES[name]
    count = draw(st.integers(1, 12))
    key = columns[0].name
    return [
        in_order(
            {
                column.name: draw(cells(column))
                if column.required
                else draw(cells(column) | st.just(""))
                for column in columns
            }
            | {key: f"{draw(cells(columns[0]))}-{number}"}
        )
        for number in range(count)
    ]


def in_order(row: dict[str, str]) -> dict[str, str]:
    """Return a row with the lower of two limits first, and its days in their order."""
    limits = [name for name in ("spec_min_pct", "spec_max_pct") if row.get(name)]
    ordered = sorted((row[name] for name in limits), key=Decimal)
    days = [name for name in DAYS_IN_ORDER if row.get(name)]
    return (
        row
        | dict(zip(limits, ordered, strict=True))
        | dict(zip(days, sorted(row[name] for name in days), strict=True))
    )


SMALL = [name for name in TABLES if name not in {"readings", "vessels"}]


@settings(
    max_examples=3, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
@given(data=st.data())
def test_what_is_written_is_read_back(tmp_path: Path, data: st.DataObject) -> None:
    """Any row of any small table comes back with every value it had, whatever stands beside it."""
    drawn = {name: [_whole(row) for row in data.draw(rows_of(name))] for name in SMALL}
    texts = {name: table(*rows) for name, rows in drawn.items()}
    summary, sources = load(write(tmp_path, a=readings("A,2024-01-05,as_found,5,5"), **texts))
    assert held(summary) == []
    for name, rows in drawn.items():
        frame: pl.DataFrame = getattr(sources, name)
        wanted = pl.DataFrame(
            [[value(column, row[column.name]) for column in TABLES[name]] for row in rows],
            schema=frame.schema,
            orient="row",
        )
        assert frame.equals(wanted.sort(wanted.columns, nulls_last=True)), name


def _whole(row: dict[str, str]) -> dict[str, str]:
    """Fill in what is asked for beyond single columns, or numbered where it is left out."""
    filled = dict(row)
    if "replicate" in row:
        filled["replicate"] = row["replicate"] or "1"
    if "bowl_volume_l" in row and not row["bowl_water_mass_g"]:
        filled["bowl_volume_l"] = row["bowl_volume_l"] or "7"
    return filled


def value(column: Column, cell: str) -> object:
    """Return what Python itself makes of a cell."""
    if not cell:
        return None
    readers = {"text": str, "date": date.fromisoformat, "number": float, "whole": int}
    readers["answer"] = str
    return readers[column.kind](cell)  # type: ignore[operator]  # each takes a text


decimals = st.decimals(Decimal(-10), Decimal(30), places=3)
contents = st.sampled_from(["0", "4.98", "5", "5.02", "9.97"])
sittings = st.tuples(
    st.sampled_from(["A", "B"]),
    st.dates(date(2020, 1, 1), date(2020, 1, 4)).map(str),
    st.sampled_from(["as_found", "as_left"]),
    contents,
    decimals.map(str),
)


@settings(
    max_examples=5, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
@given(rows=st.lists(sittings, min_size=1, max_size=40), seed=st.randoms(use_true_random=False))
def test_row_order_never_matters(
    tmp_path: Path, rows: list[tuple[str, ...]], seed: st.DataObject
) -> None:
    """Numbered readings give the same sessions in any order and in any split into files."""
    numbered = [f"{','.join(row)},{number}" for number, row in enumerate(rows, start=1)]
    shuffled = list(numbered)
    seed.shuffle(shuffled)  # type: ignore[attr-defined]  # a random.Random
    half = len(shuffled) // 2
    one = write(tmp_path / "one", r=readings(*numbered, columns="replicate"))
    two = write(
        tmp_path / "two",
        r=readings(*shuffled[:half], columns="replicate"),
        s=readings(*shuffled[half:], columns="replicate"),
    )
    assert load(one)[1].sessions.equals(load(two)[1].sessions)


@settings(
    max_examples=5, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
@given(rows=st.lists(sittings, min_size=1, max_size=40))
def test_sessions_are_what_decimal_arithmetic_says(
    tmp_path: Path, rows: list[tuple[str, ...]]
) -> None:
    """Biases per sitting equal Python's own, gathered by nearest point."""
    expected: dict[tuple[str, str, str, float], list[Decimal]] = {}
    for meter, day, stage, correct, reading in rows:
        point = min((0.0, 5.0, 10.0), key=lambda point: abs(point - float(correct)))
        bias = Decimal(reading) - Decimal(correct)
        expected.setdefault((meter, day, stage, point), []).append(bias)
    found = {
        (row["meter_id"], str(row["performed_on"]), row["stage"], row["point_pct"]): row
        for row in load(write(tmp_path, r=readings(*map(",".join, rows))))[1].sessions.iter_rows(
            named=True
        )
    }
    assert set(found) == set(expected)
    for key, biases in expected.items():
        row = found[key]
        assert sorted(row["biases_pct"]) == sorted(float(bias) for bias in biases)
        assert row["replicates"] == len(biases)
        assert row["bias_pct"] == pytest.approx(float(sum(biases) / len(biases)), abs=1e-12)


@settings(
    max_examples=8, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
@given(
    rows=st.lists(
        st.fixed_dictionaries(
            {
                name: st.just(cell)
                | st.text(st.sampled_from("0123456789.,-−+eE%_ NanifAs/\n\"'x"), max_size=8)
                for name, cell in GOOD.items()
            }
        ),
        min_size=1,
        max_size=30,
    )
)
def test_every_row_is_taken_or_held_back_with_a_reason(
    tmp_path: Path, rows: list[dict[str, str]]
) -> None:
    """Whatever is in the cells, nothing is lost and nothing is held back without a word."""
    full = [row for row in rows if any(cell.strip(' \n"') for cell in row.values())]
    summary = take(write(tmp_path, a=readings("A,2024-01-05,as_found,5,5"), r=table(*rows)))
    row = summary.files.row(1, named=True)
    lines = {line for file, line, _, _ in held(summary) if file == "r.csv"}
    assert row["taken"] + row["held_back"] + row["known"] == row["rows"]
    assert row["held_back"] == len(lines)
    assert row["rows"] >= len(full)
    assert all(reason for _, _, _, reason in held(summary))


def test_a_visit_of_many_days_keeps_its_readings(tmp_path: Path) -> None:
    """Three hundred lines of one sitting give one session in the order of the file."""
    start = date(2024, 1, 5)
    rows = [f"A,{start + timedelta(days=k % 2)},as_found,5,{5 + k / 1000}" for k in range(300)]
    with open_store(None) as con:
        take_folder(con, write(tmp_path, r=readings(*rows)))
        sessions = read(con).sessions
    assert sessions["biases_pct"].to_list() == [
        [k / 1000 for k in range(0, 300, 2)],
        [k / 1000 for k in range(1, 300, 2)],
    ]
