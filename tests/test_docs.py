"""The README tells the truth: commands, options, columns, policy and the way to the tests."""

import dataclasses
import re
import tomllib
from pathlib import Path

import click

from drift.cli import commands
from drift.conformity.bias_budget import UNCERTAINTY
from drift.conformity.global_risk import FLEET_RISKS
from drift.conformity.weigh import CONFORMITY
from drift.forecast.smooth import PATH
from drift.intake.columns import TABLES
from drift.limits.baseline_change import COMPARED
from drift.reference.crossed_effects import REFERENCE
from drift.reference.normalised_error import AGREEMENT
from drift.reference.vessel_record import REFERENCE_CHECK, VESSEL_VALUES
from drift.report.column_notes import COLUMN_NOTES
from drift.report.data_files import ANSWERED_SIGNALS, CAUSE_COLUMNS
from drift.review.changes import SINCE
from drift.review.clauses.clause import CLAUSE_EVIDENCE
from drift.review.field_tests import FIELD_IMPACT
from drift.review.forecasts import FORECAST
from drift.review.meters import METERS
from drift.review.policy import Policy
from drift.review.responses import RESPONSES
from drift.store.tables import HELD_BACK
from drift.upkeep.intervals.recommend import INTERVALS
from drift.upkeep.retirement.frames import CHOICE_COSTS, GROUNDS, RETIREMENTS

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_readme_names_every_command_and_option() -> None:
    """No command or option is left for the user to find."""
    for name, command in commands.commands.items():
        assert f"drift {name}" in README
        for parameter in command.params:
            if isinstance(parameter, click.Option):
                assert all(option in README for option in parameter.opts)


def test_the_readme_names_every_input_column() -> None:
    """Each table's row lists its columns, the required ones starred."""
    for table, columns in TABLES.items():
        row = next(line for line in README.splitlines() if line.startswith(f"| `{table}`"))
        for column in columns:
            assert f"`{column.name}`" + ("*" if column.required else "") in row
            assert all(f"`{choice}`" in row for choice in column.choices)


def test_the_readme_names_every_output_column() -> None:
    """Nothing is written that the README does not explain."""
    assert [name for name in METERS if f"`{name}`" not in README] == []
    assert " ".join(ANSWERED_SIGNALS) in re.sub(r"\s+", " ", README)
    assert " ".join(RESPONSES) in re.sub(r"\s+", " ", README)
    assert " ".join(COMPARED) in re.sub(r"\s+", " ", README)
    assert " ".join(HELD_BACK) in README
    assert " ".join(FORECAST) in README
    assert " ".join(INTERVALS) in README
    for memo in (RETIREMENTS, GROUNDS, CHOICE_COSTS):
        assert " ".join(memo) in README
    assert " ".join(REFERENCE) in re.sub(r"\s+", " ", README)
    assert " ".join(CAUSE_COLUMNS) in README
    assert " ".join(SINCE) in README
    assert list(COLUMN_NOTES["since"]) == list(SINCE)
    for schema in (
        CLAUSE_EVIDENCE,
        VESSEL_VALUES,
        AGREEMENT,
        REFERENCE_CHECK,
        CONFORMITY,
        UNCERTAINTY,
        FLEET_RISKS,
        FIELD_IMPACT,
        PATH,
    ):
        assert " ".join(schema) in re.sub(r"\s+", " ", README)


def test_the_readme_and_the_workbook_give_the_same_units() -> None:
    """Units of the meters' table are alike where a person and where a program reads them."""
    told = re.findall(r"^\| (`\w+`(?:, `\w+`)*) \| ([^|]*)\| [^|]+\|$", README, re.MULTILINE)
    units = {name: unit.strip() for names, unit in told for name in re.findall(r"`(\w+)`", names)}
    assert {name: unit for name, (unit, _) in COLUMN_NOTES["meters"].items()} == {
        name: units[name] for name in METERS
    }


def test_the_readmes_policy_is_the_default_policy() -> None:
    """The example file, read as TOML, holds every field at its default."""
    block = next(
        text for text in re.findall(r"```toml\n(.*?)```", README, re.DOTALL) if "tolerance" in text
    )
    given = tomllib.loads(block)
    default = {
        name: list(value) if isinstance(value, tuple) else value
        for name, value in dataclasses.asdict(Policy()).items()
    }
    assert given == default


def test_the_readme_starts_with_the_job_and_two_commands() -> None:
    """One paragraph, then the command that reviews the sample, then the one that tests."""
    title, job, *rest = re.split(r"\n\n", README)
    assert title == "# drift"
    assert "air meters" in job
    commands_shown = re.findall(r"```sh\n(.*?)\n```", "\n\n".join(rest), re.DOTALL)[:2]
    assert "drift review sample_history" in commands_shown[0]
    assert commands_shown[1].endswith("-m pytest")
    assert all(text.startswith("python3 -m venv") and "\n" not in text for text in commands_shown)


def test_the_lock_has_hashes_and_no_index() -> None:
    """Every pin carries hashes, and no address of an index is recorded."""
    lock = (ROOT / "requirements.lock").read_text(encoding="utf-8")
    pins = [line for line in lock.splitlines() if line and not line.startswith((" ", "#"))]
    assert len(pins) > 20
    assert all("==" in line and line.endswith("\\") for line in pins)
    assert "://" not in lock
