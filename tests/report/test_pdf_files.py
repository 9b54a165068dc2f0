"""Pages on paper: whole, numbered, with repeated heads; and what is said where printing fails."""

import dataclasses
import os
import re
import shutil
import subprocess
import sys
from datetime import date
from pathlib import Path

import polars as pl
import pytest

from drift.errors import DriftError
from drift.report import render
from drift.report.figures.assets import write_assets
from drift.report.pages.dossier import dossier_page
from drift.report.pages.fleet import fleet_page
from drift.report.pdf import find_browser, print_pages
from tests.command_line import run_here
from tests.csv_folders import readings, write
from tests.fabricated_ids import AS_OF, DRIFTER
from tests.fabricated_review import fabricate
from tests.report.test_render import Outline

NEEDED = bool(os.environ.get("DRIFT_TESTS_NEED_BROWSER"))
CAN_PRINT = bool(shutil.which("chromium") and shutil.which("pdftotext"))
printing = pytest.mark.skipif(
    not CAN_PRINT and not NEEDED, reason="no chromium or no pdftotext on this machine"
)


def tell_nobody(_done: int, _of: int) -> None:
    pass


def fake_browser(folder: Path, script: str) -> Path:
    """Write a program that stands in for a browser; `script` sees its arguments as ARGUMENTS."""
    path = folder / "fake-browser"
    first = f"#!{sys.executable}\nimport sys\nARGUMENTS = sys.argv[1:]\n"
    path.write_text(first + script, encoding="utf-8")
    path.chmod(0o755)
    return path


PRINTS = """
(to,) = (a.split("=", 1)[1] for a in ARGUMENTS if a.startswith("--print-to-pdf="))
dated = "/CreationDate (D:20991231235959+00'00')"
open(to, "w").write("%PDF-1.4 " + dated + " " + " ".join(ARGUMENTS))
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the fleet page and one dossier of the fabricated review, and print them."""
    out: Path = tmp_path_factory.mktemp("paper")
    review = fabricate()
    # A table that needs more than one sheet.
    many = pl.concat([review.sources.held_back] * 60)
    review = dataclasses.replace(
        review, sources=dataclasses.replace(review.sources, held_back=many)
    )
    fleet = "".join(render.html_fleet(fleet_page(review))[name] for name in ("basis.html",))
    (out / "index.html").write_text(fleet, encoding="utf-8")
    write_assets(out)
    (out / "meters").mkdir()
    dossier = render.html_dossier(dossier_page(review, DRIFTER))
    (out / "meters" / "one.html").write_text(dossier, encoding="utf-8")
    told: list[tuple[int, int]] = []
    names = print_pages(
        ["index.html", "meters/one.html"],
        out,
        browser=find_browser(None),
        as_of=AS_OF,
        progress=lambda done, of: told.append((done, of)),
    )
    assert names == ["index.pdf", "meters/one.pdf"]
    assert told == [(1, 2), (2, 2)]
    return out


def text(pdf: Path, *arguments: str) -> str:
    command = ["pdftotext", *arguments, str(pdf), "-"]
    ran = subprocess.run(command, capture_output=True, text=True, check=True)
    return ran.stdout


@printing
@pytest.mark.parametrize("name", ["index", "meters/one"])
def test_every_word_of_a_page_is_on_paper(folder: Path, name: str) -> None:
    """Nothing is cut at an edge or left out; longer words may be broken and are not asked for."""
    html = (folder / f"{name}.html").read_text(encoding="utf-8")
    asked_on_screen = (
        r'<(nav|script|noscript)\b.*?</\1>|<div class="filters".*?</div>|<li class="apart">.*?</li>'
    )
    on_paper = re.sub(asked_on_screen, "", html[html.index("<main") :], flags=re.DOTALL)
    shown = set(re.findall(r"[\w.,+−]{2,16}", Outline(on_paper).text))
    printed = "".join(text(folder / f"{name}.pdf").split())
    assert len(shown) > 200
    assert [word for word in sorted(shown) if word not in printed] == []


@printing
@pytest.mark.parametrize("name", ["index", "meters/one"])
def test_every_sheet_has_its_number_and_something_on_it(folder: Path, name: str) -> None:
    """Sheets are numbered "sheet 2 of 5" to the last, and none is blank but for its number."""
    sheets = text(folder / f"{name}.pdf", "-layout").split("\f")[:-1]
    assert len(sheets) > 2
    for place, sheet in enumerate(sheets, start=1):
        assert re.search(rf"\bsheet {place} of {len(sheets)}\b", sheet)
        assert len(sheet.split()) > 15


@printing
def test_heads_of_tables_are_repeated(folder: Path) -> None:
    """A table that goes on overleaf has its heads there too."""
    fleet = text(folder / "index.pdf", "-layout")
    html = (folder / "index.html").read_text(encoding="utf-8")
    assert html.count(">Reason</th>") == 1
    assert len(re.findall(r"^\f? *File +Line +Column +Reason$", fleet, re.MULTILINE)) > 1


@printing
def test_cautions_are_on_paper(folder: Path) -> None:
    """The last sheet of each file holds what it must not be taken for."""
    for name in ("index", "meters/one"):
        said = " ".join(text(folder / f"{name}.pdf").split())
        assert "Statistics release no meter for use" in said
        assert "This is not a calibration certificate" in said


def test_the_file_gives_the_reviews_date_as_its_own(tmp_path: Path) -> None:
    """Time of day and day of printing leave no trace, so the same pages give the same bytes."""
    (tmp_path / "index.html").write_text("")
    browser = fake_browser(tmp_path, PRINTS)
    print_pages(
        ["index.html"], tmp_path, browser=browser, as_of=date(2025, 1, 15), progress=tell_nobody
    )
    printed = (tmp_path / "index.pdf").read_text()
    assert "/CreationDate (D:20250115000000+00'00')" in printed
    assert "NOTFOUND" in printed
    assert printed.endswith((tmp_path / "index.html").as_uri())


@pytest.mark.parametrize(
    ("script", "said"),
    [
        ("sys.exit('no screen here')", "no screen here"),
        ("sys.exit(3)", "exit code 3"),
        (PRINTS.replace("%PDF", "sorry"), "exit code 0"),
    ],
)
def test_a_browser_that_fails_is_an_error(tmp_path: Path, script: str, said: str) -> None:
    """What it said is passed on, with another way to the same end."""
    (tmp_path / "index.html").write_text("")
    browser = fake_browser(tmp_path, script)
    with pytest.raises(DriftError, match=said) as caught:
        print_pages(["index.html"], tmp_path, browser=browser, as_of=AS_OF, progress=tell_nobody)
    assert "--browser" in caught.value.hint
    assert not (tmp_path / "index.pdf").exists()


def test_a_browser_that_is_not_there_is_an_error_with_a_hint(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Named or looked for, it says what is expected and what else can be done."""
    with pytest.raises(DriftError, match="no program that can be run"):
        find_browser(tmp_path / "none")
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(DriftError, match="no browser was found") as caught:
        find_browser(None)
    assert "--browser PATH" in caught.value.hint
    named = fake_browser(tmp_path, PRINTS)
    assert find_browser(named) == named
    assert find_browser(Path("fake-browser")) == named


def drift(*arguments: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "drift", "review", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def test_what_cannot_be_printed_is_said_before_the_work(tmp_path: Path) -> None:
    """Options that contradict each other, or a browser that is not there, end with 2."""
    for options, said in (
        (("--pdf", "--data-only"), "--data-only"),
        (("--browser", "x"), "--pdf"),
        (("--pdf", "--browser", tmp_path / "none"), "no program that can be run"),
    ):
        ran = drift(tmp_path / "no source", "--out", tmp_path / "out", *options)
        assert ran.returncode == 2
        assert said in ran.stderr
    assert not (tmp_path / "out").exists()


def test_printed_pages_go_when_a_later_review_prints_none(tmp_path: Path) -> None:
    """A PDF file of an earlier review never stands beside pages that say something else."""
    rows = [f"A,2025-0{month}-15,as_found,5.0,5.0" for month in range(1, 4)]
    source = write(tmp_path / "in", readings=readings(*rows))
    common = (source, "--out", tmp_path / "out", "--as-of", "2025-06-01")
    printed = run_here("review", *common, "--pdf", "--browser", fake_browser(tmp_path, PRINTS))
    assert printed.returncode == 0, printed.stderr
    made = ("index.pdf", "meters/A.pdf")
    assert all((tmp_path / "out" / name).exists() for name in made)
    assert run_here("review", *common).returncode == 0
    left = {path.name for path in (tmp_path / "out").rglob("*") if path.is_file()}
    assert left >= {"index.html", "A.html", "review.xlsx"}
    assert not left & {"index.pdf", "A.pdf"}
