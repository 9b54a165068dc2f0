"""Days at the bench in a real browser, the saved file taken in, the ledger as it must be."""

import json
import shutil
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, sync_playwright

from drift.api.bench import check
from drift.api.sheets import write_sheets
from drift.api.sources import intake, read_known
from drift.api.struck_readings import withdraw_struck
from drift.review.policy import Policy
from drift.review.sourced import ledger_of
from tests.report.bench_driver import SIZES, Bench, saved_rows, sit_down
from tests.report.test_pages_browser import ARGUMENTS, CHROMIUM
from tests.review.test_sheet import AS_OF, DUE_BY, HOSTILE, make_source

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")
WAYS = tuple(SIZES)
DAY = date(2022, 4, 14)
HARM = "<img src=x onerror=window.harmed=1>"


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write four meters of which one has a mark on its dial, and harm in its site."""
    folder = make_source(tmp_path_factory.mktemp("bench") / "in")
    (folder / "meters.csv").write_text(
        "meter_id,interval_days,status,chamber_bowl_ratio,site\n"
        f"AM-1,91,active,,north\nAM-2,91,active,0.05,{HARM}\n",
        encoding="utf-8",
    )
    with (folder / "marks.csv").open("a", encoding="utf-8") as file:
        file.write("AM-2,2021-01-15,-0.20,dial_pct,verified\n")
    return folder


@pytest.fixture(scope="module")
def page_file(source: Path) -> Path:
    out = source.parent / "out"
    return write_sheets(source, out=out, as_of=AS_OF, due_by=DUE_BY, policy=Policy()).bench


@pytest.fixture(scope="module")
def store(source: Path) -> Path:
    path = source.parent / "store.duckdb"
    intake(source, store=path)
    return path


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as play:
        opened = play.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield opened
        opened.close()


@pytest.fixture(params=["touch", pytest.param("keyboard", marks=pytest.mark.long)])
def bench(request: pytest.FixtureRequest, browser: Browser, page_file: Path) -> Iterator[Bench]:
    """Sit down at the page; nothing may be said, asked for or harmed, whatever is done there."""
    made = sit_down(browser, page_file, request.param)
    yield made
    assert made.page.evaluate("window.harmed === undefined")
    assert made.said == []
    assert set(made.asked) - {url for url in made.asked if url.startswith("blob:")} == {
        page_file.as_uri()
    }
    made.context.close()


def taken(saved: Path, store: Path, folder: Path) -> Any:
    """Take a saved file into a copy of the store; return its sources and the day's ledger."""
    mine = folder / "mine.duckdb"
    shutil.copyfile(store, mine)
    summary = intake(saved, store=mine)
    assert summary.held_back.is_empty()
    again = intake(saved, store=mine)
    assert again.files["taken"].sum() == 0
    sources = read_known(mine, as_of=date(2022, 5, 1), policy=Policy())
    ledger = ledger_of(sources, source_name="", as_of=date(2022, 5, 1), policy=Policy())
    return sources, ledger.filter(pl.col("performed_on") == DAY).sort("point_pct")


@pytest.mark.parametrize("bench", WAYS, indirect=True)
def test_a_day_on_which_all_passes(bench: Bench, store: Path, tmp_path: Path) -> None:
    """Closed and opened in the middle; blind until a reading is in; the rows are a calibration."""
    bench.open("AM-2")
    assert "Correct" not in bench.text()
    bench.read("0.00", "0.05")
    assert bench.headline() == "Zero is within tolerance, twice."
    bench.press("on")
    before = bench.text()
    assert "hidden until your reading is in" in before
    assert "5.01" not in before
    bench.read("5.00")
    bench.reopen()
    assert bench.headline() == "5.00 is within tolerance. Read it a second time."
    assert "Correct 5.01" in bench.text()
    bench.read("5.05")
    bench.press("on")
    bench.read("10.05", "10.05")
    bench.press("on")
    assert bench.headline() == "Done. AM-2 passes as found at every point."
    assert "releases nothing" in bench.text()
    assert "Next calibration by 14 Jul 2022" in bench.text()
    saved = bench.save("sign", tmp_path)
    rows = saved_rows(saved, "readings")
    assert {row["operator"] for row in rows} == {"tech-2"}
    assert {row["visit_id"] for row in rows} == {"2022-04-14 12:00"}
    _, day = taken(saved, store, tmp_path)
    assert day["as_found_replicates"].to_list() == [2, 2, 2]
    assert day["as_found_bias_pct"].to_list() == pytest.approx([0.025, 0.015, 0.02])
    assert day["as_left_bias_pct"].null_count() == 3


@pytest.mark.parametrize("bench", WAYS, indirect=True)
def test_a_day_on_which_the_mark_is_moved(bench: Bench, store: Path, tmp_path: Path) -> None:
    """Advice waits for 5 and 10 %; the move is -0.20 to -0.35; as left passes everywhere."""
    bench.open("AM-2")
    bench.read("0.15", "0.15")
    assert bench.headline() == "Zero is out: +0.15, twice."
    assert "Do not move it yet" in bench.text()
    bench.press("bar-adjust")
    assert bench.headline() == "Not yet: read every point as found."
    bench.press("on")
    bench.read("5.30")
    assert "It fits the zero: a mark off by 0.15 reads 0.30 high here" in bench.text()
    bench.read("5.30")
    bench.press("on")
    bench.read("10.50", "10.50")
    bench.press("on")
    assert bench.headline() == "Move the mark from -0.20 to -0.35."
    assert "-0.16 at zero, -0.32 at 5 % and -0.48 at 10 %" in bench.text()
    bench.press("moved")
    bench.reopen()
    assert bench.headline() == "Read zero again, as left."
    bench.read("0.00", "0.00")
    bench.press("on")
    bench.read("5.00", "5.00")
    bench.press("on")
    bench.read("10.05", "10.05")
    bench.press("on")
    assert bench.headline() == "Done. AM-2 passes as left at every point."
    assert "Found outside: tell the quality manager" in bench.text()
    saved = bench.save("sign", tmp_path)
    sources, day = taken(saved, store, tmp_path)
    mark = sources.marks.filter((pl.col("meter_id") == "AM-2") & (pl.col("performed_on") == DAY))
    assert mark.select("mark", "action", "operator").rows() == [(-0.35, "moved", "tech-2")]
    assert day["as_found_bias_pct"].to_list() == pytest.approx([0.15, 0.29, 0.47])
    assert day["as_left_bias_pct"].to_list() == pytest.approx([0.0, -0.01, 0.02])


def test_a_day_on_which_the_hand_is_reset(bench: Bench, store: Path, tmp_path: Path) -> None:
    """Right at zero and off three times as much at 10 % as at 5: the hand, and not the mark."""
    bench.open("AM-2")
    bench.read("0.00", "0.00")
    bench.press("on")
    bench.read("5.15", "5.15")
    bench.press("on")
    bench.read("10.45", "10.45")
    bench.press("on")
    assert bench.headline() == "Reset the hand. Leave the mark."
    bench.press("Hand reset")
    bench.reopen()
    for first, second in (("0.00", "0.00"), ("5.00", "5.00"), ("10.00", "10.05")):
        bench.read(first, second)
        bench.press("on")
    saved = bench.save("sign", tmp_path)
    sources, day = taken(saved, store, tmp_path)
    work = sources.service.filter(pl.col("performed_on") == DAY)
    assert work.select("meter_id", "action").rows() == [("AM-2", "hand_reset")]
    assert day["as_left_bias_pct"].to_list() == pytest.approx([0.0, -0.01, -0.005])


def test_a_day_on_which_a_leak_is_found(bench: Bench, store: Path, tmp_path: Path) -> None:
    """High and erratic: look for the leak first.  A reading done wrongly is struck, and kept."""
    bench.open("AM-2")
    bench.read("0.15", "0.35")
    bench.press("on")
    bench.read("9.20")
    bench.press("box0")
    bench.press("Keyed in wrongly")
    bench.read("5.20", "5.50")
    bench.press("on")
    bench.read("10.25", "10.70")
    bench.press("on")
    assert bench.headline() == "Look for a leak before the mark."
    bench.press("Seal replaced")
    bench.reopen()
    bench.read("0.00", "0.00")
    bench.press("on")
    bench.read("5.00", "5.00")
    bench.press("on")
    bench.read("10.05", "10.05")
    bench.press("on")
    saved = bench.save("sign", tmp_path)
    assert "9.20" not in {row["reading_air_pct"] for row in saved_rows(saved, "readings")}
    events = json.loads(saved.read_text(encoding="utf-8"))["visits"][0]["events"]
    struck = next(event for event in events if event["do"] == "strike")
    assert (events[struck["of"]]["text"], struck["why"]) == ("9.20", "keyed in wrongly")
    sources, day = taken(saved, store, tmp_path)
    work = sources.service.filter(pl.col("performed_on") == DAY)
    assert work["action"].to_list() == ["seal_replaced"]
    assert day["as_left_replicates"].to_list() == [2, 2, 2]


def test_what_is_struck_after_it_was_filed_is_withdrawn(
    bench: Bench, store: Path, tmp_path: Path
) -> None:
    """By who struck it, with the reason; other readings keep the numbers they were filed by."""
    bench.open("AM-2")
    bench.read("0.00", "0.05")
    bench.press("on")
    bench.read("5.20", "5.00")
    bench.press("bar-done")
    first = bench.save("sign", tmp_path / "first")
    mine = tmp_path / "mine.duckdb"
    shutil.copyfile(store, mine)
    intake(first, store=mine)
    assert withdraw_struck(first, mine) == []
    bench.press("bar-5\u00a0%")
    bench.press("box0")
    bench.press("Keyed in wrongly")
    bench.read("5.05")
    bench.press("bar-done")
    second = bench.save("sign", tmp_path / "second")
    rows = saved_rows(second, "readings")
    assert [row["replicate"] for row in rows] == ["1", "2", "2", "3"]
    summary = intake(second, store=mine)
    assert (summary.files["taken"].sum(), summary.amendments.height) == (1, 0)
    (told,) = withdraw_struck(second, mine)
    assert "AM-2 2022-04-14 at 5 %: 5.20 (keyed in wrongly, tech-2)" in told
    assert withdraw_struck(second, mine) == []
    sources = read_known(mine, as_of=date(2022, 5, 1), policy=Policy())
    day = sources.sessions.filter(pl.col("performed_on") == DAY).sort("point_pct")
    assert day["biases_pct"].to_list()[1] == pytest.approx([-0.01, 0.04])


def test_a_day_on_which_another_meter_stands_there(
    bench: Bench, store: Path, tmp_path: Path
) -> None:
    """The one that was due stays open; the other, never seen before, gets its first visit."""
    bench.say("who", "tech-2")
    bench.press("meter-AM-1")
    bench.press("other")
    bench.say("other", "AM-9")
    assert bench.headline() == "Is AM-9 on its plate?"
    bench.press("mark-other")
    bench.say("mark", "-0.25")
    bench.press("step-0.05")
    bench.press("begin")
    bench.read("0.00", "0.00")
    bench.reopen()
    bench.press("on")
    for readings in (("5.00", "5.00"), ("10.00", "10.05")):
        bench.press("vessel-V-1")
        bench.read(*readings)
        bench.press("on")
    assert bench.headline() == "Done. AM-9 passes as found at every point."
    saved = bench.save("sign", tmp_path)
    assert {row["meter_id"] for row in saved_rows(saved, "readings")} == {"AM-9"}
    sources, day = taken(saved, store, tmp_path)
    assert day["meter_id"].unique().to_list() == ["AM-9"]
    assert day["correct_air_pct"].to_list() == pytest.approx([0.0, 5.01, 10.03])
    mark = sources.marks.filter(pl.col("meter_id") == "AM-9")
    assert mark.select("mark", "action").rows() == [(-0.25, "established")]


def test_what_is_unfinished_stays_so(bench: Bench, source: Path, tmp_path: Path) -> None:
    """Zero alone is no calibration; `drift check` tells one reading; another device goes on."""
    bench.open("AM-1")
    bench.read("0.00", "0.00")
    bench.press("on")
    bench.read("5.30")
    bench.press("bar-done")
    assert bench.headline().startswith("Unfinished: 5 % as found and 10 % as found")
    saved = bench.save("sign", tmp_path)
    visit = json.loads(saved.read_text(encoding="utf-8"))["visits"][0]
    assert (visit["outcome"], visit["signed"]) == ("unfinished", False)
    found = check(source, saved, as_of=AS_OF, policy=Policy())
    assert found.held_back.is_empty()
    assert found.rows["successive"].to_list() == ["no_action", "one_reading"]
    bench.press("all")
    bench.press("clear")
    bench.press("forget")
    assert "unfinished" not in bench.text()
    bench.page.locator("input[type=file]").set_input_files(saved)
    bench.page.get_by_text("1 visit taken up.").wait_for()
    bench.press("meter-AM-1")
    assert bench.headline() == "5.30 is out. Read it a second time."


def test_a_laboratory_may_choose_to_move_first(
    browser: Browser, page_file: Path, tmp_path: Path
) -> None:
    """By its policy the move is offered after zero, and the evidence that is lost is told."""
    other = tmp_path / "bench.html"
    text = page_file.read_text(encoding="utf-8")
    assert '"holds":true' in text
    other.write_text(text.replace('"holds":true', '"holds":false'), encoding="utf-8")
    bench = sit_down(browser, other, "touch")
    bench.open("AM-2")
    bench.read("0.15", "0.15")
    assert "Moved now, evidence is lost" in bench.text()
    bench.press("now")
    bench.press("moved")
    for readings in (("0.00", "0.00"), ("5.00", "5.00"), ("10.05", "10.05")):
        bench.read(*readings)
        bench.press("on")
    assert "Not read as found at 5 % and 10 %" in bench.text()
    assert bench.headline().startswith("Unfinished")
    bench.context.close()


def test_a_browser_that_keeps_nothing_says_so(browser: Browser, page_file: Path) -> None:
    bench = sit_down(browser, page_file, "touch")
    bench.context.add_init_script(
        "Object.defineProperty(window, 'localStorage', {get() { throw new Error('no') }})"
    )
    bench.reopen()
    assert "This browser keeps nothing for this page" in bench.text()
    bench.open("AM-2")
    bench.read("0.00")
    assert bench.headline() == "0.00 is within tolerance. Read it a second time."
    bench.context.close()


@pytest.mark.parametrize(
    ("way", "scheme"),
    [
        ("touch", "light"),
        ("keyboard", "dark"),
        pytest.param("touch", "dark", marks=pytest.mark.long),
        pytest.param("keyboard", "light", marks=pytest.mark.long),
    ],
)
def test_every_screen_is_fit_for_hands_and_eyes(
    browser: Browser, page_file: Path, way: str, scheme: Any
) -> None:
    """No rule of accessibility is broken; targets of 44 px; nothing wider than the screen."""
    bench = sit_down(browser, page_file, way, color_scheme=scheme, bypass_csp=True)
    fit(bench)
    bench.open("AM-2")
    bench.press("back")
    fit(bench)
    bench.press("meter-AM-2")
    fit(bench)
    bench.read("0.15")
    fit(bench)
    bench.read("0.15")
    fit(bench)
    bench.press("on")
    bench.read("5.30", "5.30")
    fit(bench)
    bench.press("box0")
    fit(bench)
    bench.press("keep")
    bench.press("bar-10\u00a0%")
    bench.press("skip")
    fit(bench)
    bench.say("skip", HARM)
    bench.press("bar-adjust")
    fit(bench)
    bench.press("bar-done")
    fit(bench)
    bench.context.close()


SMALL = """
[...document.querySelectorAll('button, input, summary, textarea')].filter((node) => {
  const box = node.getBoundingClientRect();
  return box.width > 0 && (box.height < 44 || box.width < 44);
}).map((node) => node.outerHTML.slice(0, 80))
"""


def fit(bench: Bench) -> None:
    """Hold one screen to what hands and eyes need."""
    found = Axe().run(bench.page)
    grave = [
        (one["id"], [node["html"][:120] for node in one["nodes"][:3]])
        for one in found.response["violations"]
        if one["impact"] in {"moderate", "serious", "critical"}
    ]
    assert grave == []
    assert bench.page.evaluate(SMALL) == []
    width = SIZES[bench.way][0]
    assert bench.page.evaluate("document.documentElement.scrollWidth") <= width


def test_hostile_names_and_remarks_run_nothing(bench: Bench, store: Path, tmp_path: Path) -> None:
    """As operator, as meter, as reason: text on the screen, text in the file, text in the store."""
    bench.open(HOSTILE, who=HARM, mark=False)
    bench.read("0.00")
    bench.press("box0")
    bench.say("strike", HOSTILE)
    bench.read("0.00", "0.00")
    assert bench.page.locator("img, main script").count() == 0
    bench.press("bar-done")
    saved = bench.save("sign", tmp_path)
    assert {row["operator"] for row in saved_rows(saved, "readings")} == {HARM}
    _, day = taken(saved, store, tmp_path)
    assert day["meter_id"].to_list() == [HOSTILE]
