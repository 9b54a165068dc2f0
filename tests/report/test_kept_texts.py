"""What is kept from one run to the next is what would be made, or is made anew."""

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from drift.report import kept_texts
from drift.report.figures import assets
from drift.report.kept_texts import kept_text, where_kept

Made = list[str]


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Keep things in a folder of the test's own."""
    monkeypatch.setattr(kept_texts, "_FOLDER", tmp_path)
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    return tmp_path


@pytest.fixture
def made() -> Made:
    return []


def maker(made: Made, text: str = "é\n\nlast line\n") -> Callable[[], str]:
    """Return what makes a text and notes that it did."""

    def make() -> str:
        made.append(text)
        return text

    return make


def test_a_text_is_made_once(folder: Path, made: Made) -> None:
    """The second time it is read, the same to the last sign."""
    assert kept_text("one", maker(made)) == kept_text("one", maker(made))
    assert len(made) == 1
    assert [path.suffix for path in folder.iterdir()] == [".kept"]


@pytest.mark.parametrize("damage", [b"", b"\xff", b"0\nother", b"no digest"])
def test_a_damaged_text_is_made_anew(folder: Path, made: Made, damage: bytes) -> None:
    """Whatever its file holds, the text is the one that is made."""
    text = kept_text("one", maker(made))
    (kept,) = folder.iterdir()
    kept.write_bytes(damage)
    assert kept_text("one", maker(made)) == text
    assert len(made) == 2
    assert kept_text("one", maker(made)) == text
    assert len(made) == 2


def test_another_version_makes_its_own(
    folder: Path, made: Made, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A module changed by a line: what the earlier one kept is not read, and goes."""
    program = folder / "program"
    program.mkdir()
    (program / "module.py").write_text("one = 1\n")
    monkeypatch.setattr(kept_texts, "_PACKAGE", program)
    kept_texts._made_by.cache_clear()  # asked once a process otherwise
    assert kept_text("one", maker(made, "old")) == "old"
    (program / "module.py").write_text("one = 2\n")
    kept_texts._made_by.cache_clear()
    assert kept_text("one", maker(made, "new")) == "new"
    kept_texts._made_by.cache_clear()
    assert len(list(folder.glob("one-*.kept"))) == 1


def test_nothing_is_kept_where_python_keeps_nothing(
    folder: Path, made: Made, monkeypatch: pytest.MonkeyPatch
) -> None:
    """PYTHONDONTWRITEBYTECODE goes for these files too; a folder that is not there keeps none."""
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    assert where_kept() is None
    kept_text("one", maker(made))
    assert list(folder.iterdir()) == []
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    monkeypatch.setattr(kept_texts, "_FOLDER", folder / "none")
    assert where_kept() is None
    assert kept_text("one", maker(made)) == made[0]


def test_the_figures_kept_are_those_that_are_described(folder: Path) -> None:
    """From the file or described anew, the script of all figures has the same bytes."""
    assets.figures_script.cache_clear()
    described = assets.figures_script()
    assert len(list(folder.glob("figures-*.kept"))) == 1
    assets.figures_script.cache_clear()
    assert assets.figures_script() == described
    assets.figures_script.cache_clear()
