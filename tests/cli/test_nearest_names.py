"""Whatever is named and is not there, the message gives the name that comes nearest."""

from pathlib import Path

import pytest

from tests.cli.test_cli import quarters, source
from tests.command_line import run_here

ANSWER = ("--finding", "x", "--action", "x", "--by", "me")
# What is asked for, by kind of name, and the name that is meant.
WRONG = {
    "command": (("reveiw",), "review"),
    "option": (("review", "lab", "--as-off", "2026-01-01"), "--as-of"),
    "meter of a note": (("impact", "lab", "AM-1O"), "AM-10"),
    "meter of a memo": (("retirement", "lab", "AM-1O"), "AM-10"),
    "meter of a decision": (
        ("decide", "lab", "AM-1O", "--about", "2020-01-15", "--decision", "x", "--by", "me"),
        "AM-10",
    ),
    "meter of a response": (
        ("respond", "lab", "--meter", "AM-1O", "--visit", "2020-01-15", *ANSWER),
        "AM-10",
    ),
    "meter of a withdrawal": (("withdraw", "lab", "--meter", "AM-1O"), "AM-10"),
    "table of a withdrawal": (("withdraw", "lab", "--table", "radings"), "readings"),
    "column of a row": (("withdraw", "lab", "--where", "meter_ld=AM-10"), "meter_id"),
    "column of a change": (
        ("amend", "lab", "--meter", "AM-10", "--set", "operater=me"),
        "operator",
    ),
    "stage of a row": (("withdraw", "lab", "--meter", "AM-10", "--stage", "as_fond"), "as_found"),
    "kind of entry": (("journal", "lab", "--kind", "amendmend"), "amendment"),
    "key of a policy": (("review", "lab", "--policy", "key.toml"), "tolerance_pct"),
    "key of a part of a policy": (("review", "lab", "--policy", "part.toml"), "target"),
    "part of a policy": (("review", "lab", "--policy", "table.toml"), "retirement"),
    "rule of a policy": (("review", "lab", "--policy", "rule.toml"), "beyond_limits"),
    "chart of a policy": (("review", "lab", "--policy", "chart.toml"), "individuals"),
    "topic": (("guide", "quater-day"), "quarter-day"),
    "part of the reference": (("reference", "polizy"), "policy"),
    "shell": (("completion", "bahs"), "bash"),
    "folder of records": (("review", "lba"), "lab"),
    "file of readings": (("check", "lab", "nwe.csv"), "new.csv"),
    "file of a policy": (("review", "lab", "--policy", "kye.toml"), "key.toml"),
    "column of a table": (("review", "slip"), "reading_air_pct"),
}
POLICIES = {
    "key": "tolerance_pc = 0.1",
    "part": "[intervals]\ntargt = 0.95",
    "table": "[retirment]\n",
    "rule": 'rules = ["beyond_limit"]',
    "chart": 'charts = ["individual"]',
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a laboratory of one meter, policies with a slip each, and a table with one."""
    place = tmp_path_factory.mktemp("names")
    rows = quarters("AM-10", [0.0, 0.02, 0.01, 0.0, 0.02, 0.01, 0.0, 0.6])
    source(place / "lab", *rows)
    source(
        place / "slip", *rows, header="meter_id,performed_on,stage,correct_air_pct,reading_air_pc"
    )
    (place / "new.csv").write_text("meter_id\n", encoding="utf-8")
    for name, text in POLICIES.items():
        (place / f"{name}.toml").write_text(text + "\n", encoding="utf-8")
    return place


@pytest.mark.parametrize("kind", WRONG)
def test_the_nearest_name_is_given(kind: str, folder: Path) -> None:
    """In the message, of every kind of name that a person may type or write."""
    arguments, meant = WRONG[kind]
    ran = run_here(*arguments, cwd=folder)
    assert ran.returncode == 2, ran.stdout
    named = ran.stderr.replace(arguments[-1], "")
    ways = ("did you mean '", "Did you mean '", "did you mean 'intervals.", "nearest: ", "lacks ")
    assert any(f"{way}{meant}" in named for way in ways), ran.stderr
