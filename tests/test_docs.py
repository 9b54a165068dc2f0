"""The README tells the truth: commands, options, columns, policy and the way to the tests."""

import re
import shlex
from pathlib import Path

import click

from drift.cli import commands
from drift.forecast.smooth import PATH
from drift.guide.texts import TOPICS, topic, topics
from drift.intake.columns import TABLES
from drift.reference.studies.standing_out import STUDY_EFFECTS
from drift.reference.studies.weigh import STUDY_COMPONENTS
from drift.report.column_notes import COLUMN_NOTES, TABLE_NOTES
from drift.report.memo_notes import MEMO_NOTES
from drift.report.pages.lookup import reference_parts
from drift.review.field_tests import FIELD_IMPACT
from drift.review.obligations import STANDINGS, TOKENS
from drift.review.policy import Policy, choices_of
from drift.upkeep.retirement.frames import CHOICE_COSTS, GROUNDS, RETIREMENTS
from drift.version import __version__
from tests.guide.commands_told import commands_told

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_reference_tells_every_command_and_option() -> None:
    """No command or option is left for the user to find, and each says what it is for."""
    told = reference_parts()["commands"]
    again = "python -m tests.guide.commands_told"
    assert told == commands_told(commands) + "\n", f"commands have changed: {again}"
    for name, command in commands.commands.items():
        assert f"## drift {name}\n" in told
        for parameter in command.params:
            if isinstance(parameter, click.Option):
                assert all(f"`{option}" in told for option in parameter.opts)
                assert parameter.help
        assert "Example: drift " in (command.help or ""), f"drift {name} shows no example"


def test_the_reference_tells_every_column_and_choice() -> None:
    """Input tables, data files and policy, each with a meaning."""
    parts = reference_parts()
    for table, columns in TABLES.items():
        section = parts["tables"].split(f"## {table}\n")[1].split("\n## ")[0]
        for column in columns:
            row = next(
                line for line in section.splitlines() if line.startswith(f"| `{column.name}`")
            )
            assert row.endswith(f"| {column.meaning} |")
            assert (" \\* |" in row) == column.required
            assert all(f"`{choice}`" in row for choice in column.choices)
    for table, notes in COLUMN_NOTES.items():
        assert TABLE_NOTES[table]
        for name, (_, meaning) in notes.items():
            assert f"| `{name}` |" in parts["data-files"]
            assert meaning
    for (_, notes), schema in zip(
        MEMO_NOTES.values(),
        (
            *(RETIREMENTS, GROUNDS, CHOICE_COSTS, STUDY_COMPONENTS, STUDY_EFFECTS),
            *(FIELD_IMPACT, PATH),
        ),
        strict=True,
    ):
        assert list(notes) == list(schema)
    for name in choices_of(Policy()):
        row = next(
            line for line in parts["policy"].splitlines() if line.startswith(f"| `{name}` |")
        )
        assert not row.endswith("|  |")


def test_the_guide_names_commands_that_exist() -> None:
    """Every command that the guide or the README shows is one, with options that it takes."""
    texts = [README, *(one.text for one in topics())]
    shown = [
        line
        for text in texts
        for block in re.findall(r"```sh\n(.*?)```", text, re.DOTALL)
        for line in block.splitlines()
        if line.startswith("drift ")
    ]
    assert len(shown) > 15
    for line in shown:
        words = shlex.split(line)
        command = commands.commands[words[1]]
        options = {name for one in command.params for name in one.opts}
        assert {word for word in words[2:] if word.startswith("--")} <= options


def test_the_guide_tells_every_standing_and_obligation() -> None:
    """Each has its meaning where a reader looks it up."""
    text = topic("standings").text
    assert all(f"| `{name}` |" in text for name in (*STANDINGS, *TOKENS))


def test_the_readme_is_short_and_leads_to_the_guide() -> None:
    """Under 8 kB, each task with its topic."""
    assert len(README.encode()) < 8192
    assert all(f"drift guide {name}" in README for name in TOPICS[:6])


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


def test_the_readme_ends_with_the_changes_by_version() -> None:
    """The last section has this version first."""
    last = README.split("\n## ")[-1]
    assert last.startswith("Changes\n")
    told = re.findall(r"^- \*\*(\d+)\.(\d+)\.(\d+)\*\* \w", last, re.MULTILINE)
    assert ".".join(told[0]) == __version__
    numbers = [tuple(map(int, version)) for version in told]
    assert numbers == sorted(set(numbers), reverse=True)


def test_what_runs_before_a_commit_runs_in_ci() -> None:
    """Lint, form and types, by the same commands."""
    hooks = (ROOT / ".pre-commit-config.yaml").read_text(encoding="utf-8")
    entries = re.findall(r"entry: (.*)", hooks)
    assert len(entries) == 3
    assert (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()[-3:] == entries
