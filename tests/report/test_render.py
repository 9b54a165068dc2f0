"""Pages: what they say, that hostile text stays text, and that they need nothing beside them."""

import base64
import dataclasses
import hashlib
import re
from html.parser import HTMLParser

import polars as pl
import pytest

from drift.folders import report
from drift.report import render
from drift.report.pages.dossier import DossierPage, dossier_page
from drift.report.pages.evidence import evidence_page
from drift.report.pages.fleet import FleetPage, fleet_page
from drift.report.pages.journal import review_journal_page
from drift.report.pages.parts import file_name
from drift.report.pages.register import labels_page, register_page, site_pages
from drift.report.styles import shared_files
from drift.review.evidence import gather_evidence
from drift.review.policy import Policy, choices_of
from drift.review.results import Review
from tests.fabricated_ids import AS_OF, DRIFTER, IDS, IMAGE, NEWCOMER, REMARK, SCRIPT
from tests.fabricated_review import fabricate
from tests.report.fleet_text import fleet_html

SCRIPTS = ["assets/page.js", "assets/vega.js", "assets/figures.js"]
VOID = {"meta", "br", "col", "img", "link", "input", "hr"}


_KIND = ("script", "type")
_LINK = ("link", "rel")
_TO = ("link", "href")


class Outline(HTMLParser):
    """The tags, attributes and text of a page, and whether its tags are balanced."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.words: list[str] = []
        self.unbalanced: list[str] = []
        self.script = ""
        self._open: list[str] = []
        self.feed(html)
        self.close()
        self.unbalanced += self._open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note a tag that opens."""
        self.tags.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]
        if tag not in VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note a tag that opens and closes."""
        self.tags.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]

    def handle_endtag(self, tag: str) -> None:
        """Note a tag that closes."""
        if self._open and self._open[-1] == tag:
            self._open.pop()
        else:
            self.unbalanced.append(tag)

    def handle_data(self, data: str) -> None:
        """Note text."""
        if self._open and self._open[-1] == "script":
            self.script += data
        elif not self._open or self._open[-1] != "style":
            self.words.append(data)

    @property
    def text(self) -> str:
        """All text, white space made plain."""
        return " ".join(" ".join(self.words).split())

    def values(self, name: str) -> list[str]:
        """Return the values of an attribute."""
        return [value for _, attribute, value in self.attributes if attribute == name]


@pytest.fixture(scope="module")
def review() -> Review:
    return fabricate()


@pytest.fixture(scope="module")
def fleet(review: Review) -> FleetPage:
    return fleet_page(review)


@pytest.fixture(scope="module")
def dossier(review: Review) -> DossierPage:
    return dossier_page(review, DRIFTER)


@pytest.fixture(scope="module")
def written(review: Review, fleet: FleetPage) -> dict[str, str]:
    """All pages of the review by their place in the folder."""
    pack = evidence_page(review, gather_evidence(review))
    made = render.html_fleet(fleet) | {"evidence.html": render.html_evidence(pack)}
    for meter_id in review.meters["meter_id"]:
        page = dossier_page(review, meter_id)
        made[f"meters/{file_name(meter_id)}"] = render.html_dossier(page)
    return made


@pytest.fixture(scope="module")
def registered(review: Review) -> dict[str, str]:
    """Return the pages of the register, which draw no figure, by their place in the folder."""
    made = {
        "register.html": render.html_register(register_page(review)),
        "labels.html": render.html_labels(labels_page(review)),
        "journal.html": render.html_journal(review_journal_page(review)),
    }
    sites = {f"sites/{file_name(site.name)}": site for site in site_pages(review)}
    return made | {name: render.html_site(site) for name, site in sites.items()}


@pytest.mark.parametrize("meter_id", IDS)
def test_file_names_are_safe_and_readable(meter_id: str) -> None:
    """A file name holds nothing that any file system, link or shell would read otherwise."""
    name = file_name(meter_id)
    assert re.fullmatch(r"[A-Za-z0-9_~][A-Za-z0-9._~-]*\.html", name)
    assert len(name) < 100
    assert name.split(".")[0].upper() not in {"CON", "NUL", "COM1"}


def test_file_names_differ_on_a_disk_that_ignores_case() -> None:
    """Different ids never share a file, even where case does not count or an id looks like one."""
    made = file_name("am 1").removesuffix(".html")
    ids = [*IDS, "A", "a", "Å", "A\u030a", "", " ", ".", "..", "NUL.5", "COM1", "AM 1", "am 1"]
    ids += [made, made.upper(), "x" * 299, "AM-01 ", "AM/01", "AM\\01", "\ud800"]
    assert len({file_name(i).casefold() for i in ids}) == len(set(ids))


def test_plain_ids_keep_their_name() -> None:
    """An id as laboratories write them is its own file name."""
    assert file_name("AM-07") == "AM-07.html"
    assert file_name("B.1042_2") == "B.1042_2.html"


def test_pages_are_balanced_and_self_contained(written: dict[str, str]) -> None:
    """Every tag is closed, nothing is fetched, and no handler or inline style exists."""
    for name, html in written.items():
        page = Outline(html)
        assert page.unbalanced == [], name
        assert not {"img", "iframe", "object", "form"} & set(page.tags), name
        assert not [a for _, a, _ in page.attributes if a.startswith("on") or a == "style"], name
        assert [source.removeprefix("../") for source in page.values("src")] == SCRIPTS, name
        links = {kind for tag, attribute, kind in page.attributes if (tag, attribute) == _LINK}
        assert links == {"stylesheet"}, name
        assert all("://" not in href for href in page.values("href")), name
        assert "http-equiv" in {attribute for _, attribute, _ in page.attributes}, name
        assert len(page.values("id")) == len(set(page.values("id"))), name


def test_the_only_scripts_are_those_that_the_page_admits(
    written: dict[str, str], registered: dict[str, str]
) -> None:
    """Each page has the program's own script, in it and admitted by its hash, or beside it."""
    script = report("page.js")
    for name, html in (written | registered).items():
        page = Outline(html)
        kinds = [kind for tag, attribute, kind in page.attributes if (tag, attribute) == _KIND]
        beside = page.values("src")
        assert page.tags.count("script") == (len(beside) or 1) + len(kinds), name
        assert set(kinds) <= {"application/json"}, name
        (policy,) = (content for content in page.values("content") if "default-src" in content)
        assert policy.startswith(f"default-src 'none'; script-src {_admitted(page)}; "), name
        assert "unsafe-eval" not in policy, name
        own = "'self' " if beside else ""
        assert (
            policy.count("unsafe-inline") == policy.count(f"style-src {own}'unsafe-inline';") == 1
        )
        if not beside:
            held = page.script[page.script.index('"use strict";') :]
            assert without_comments(script) == held.splitlines(), name
    assert not re.search(r"innerHTML|outerHTML|insertAdjacent|document.write|eval|fetch", script)


def _admitted(page: Outline) -> str:
    """Return what the policy of a page has to admit: its script, or what lies beside it."""
    if page.values("src"):
        return "'self'"
    held = page.script[page.script.index('"use strict";') :]
    return f"'sha256-{base64.b64encode(hashlib.sha256(held.encode()).digest()).decode()}'"


def test_pages_with_figures_share_their_style(written: dict[str, str]) -> None:
    """Each names the common sheet and that of its kind; what it holds is its running head alone."""
    shared = shared_files()
    assert without_comments(report("page.js")) == shared["page.js"].splitlines()[1:]
    for name, html in written.items():
        page = Outline(html)
        sheets = [href for tag, attribute, href in page.attributes if (tag, attribute) == _TO]
        up = "../" * name.count("/")
        kind = name.partition("/")[0] if name.startswith(("meters/", "evidence")) else "fleet"
        kind = {"meters": "dossier", "evidence.html": "evidence"}.get(kind, kind)
        assert sheets == [f"{up}assets/page.css", f"{up}assets/{kind}.css"], name
        assert {sheet.removeprefix(f"{up}assets/") for sheet in sheets} <= set(shared)
        (held,) = re.findall(r"<style>(.*?)</style>", html, re.DOTALL)
        assert held.strip().startswith("@page"), name
        assert len(held) < 1_000, name


def without_comments(script: str) -> list[str]:
    """Return the lines of a script without indents, those of comments left out."""
    lines, within = [], False
    for line in map(str.strip, script.splitlines()):
        within = within or line.startswith("/*")
        if line and not within:
            lines.append(line)
        within = within and not line.endswith("*/")
    return lines


def test_links_resolve(written: dict[str, str], registered: dict[str, str]) -> None:
    """Every link leads to a page of the review, a data file or an anchor of its own page."""
    data = {"meters.csv", "visits.csv", "signals.csv", "held_back.csv", "run.json"}
    data |= {"intervals.csv", "reference.csv", "own_standings.csv", "responses.csv"}
    data |= {"forecast.csv", "vessel_agreement.csv", "phases.csv", "evidence.csv"}
    data |= {"conformity.csv", "uncertainty.csv", "risks.csv", "vessels.csv", "vessel_checks.csv"}
    data |= {"vessel_bowls.csv", "bowls.csv", "vessel_history.csv", "vessel_belief.csv"}
    data |= {"comparison_scores.csv", "field_bench.csv", "check_series.csv", "check_days.csv"}
    data |= {"check_meters.csv", "reference_verdicts.csv"}
    data |= {"register.csv", "due.csv", "register_faults.csv", "zero_span.csv"}
    every = written | registered
    known = set(every) | {f"data/{name}" for name in data}
    for name, html in every.items():
        page = Outline(html)
        for href in page.values("href"):
            target, _, anchor = href.partition("#")
            if not target:
                assert anchor in page.values("id"), (name, href)
                continue
            if target.endswith(".css"):
                continue
            folder = name[: name.rfind("/") + 1]
            path = target.removeprefix("../") if target.startswith("../") else folder + target
            assert path in known, (name, href)
            if anchor:
                assert anchor in Outline(written[path]).values("id"), (name, href)


def test_what_a_style_sheet_quotes_keeps_its_blanks(registered: dict[str, str]) -> None:
    """On a narrow page each cell is named before its value, with a blank between them."""
    for name in ("register.html", "journal.html"):
        assert 'content:attr(data-label) ": "' in registered[name]


def test_intervals_stand_side_by_side(review: Review, written: dict[str, str]) -> None:
    """Each method's days, what it leaves possible or proves, and who should be seen sooner."""
    page = fleet_page(review)
    sooner = [(row.meter_id, row.present_days, row.days) for row in page.intervals.sooner]
    assert sooner == [(DRIFTER, 120, 45.0), (SCRIPT, 120, 60.0)]
    fleet, like = page.intervals.scopes
    assert [method.carried for method in fleet.methods] == [False, True]
    shown = Outline(written["intervals.html"]).text.replace("\u00a0", " ")
    assert f"See {DRIFTER} every 45 days, not 120." in shown
    assert "every 60 days, not 120." in shown
    assert "cannot say No law follows from so few." in " ".join(shown.split())
    assert "179 days 104 days to 336 days" in shown
    assert "36 days or more" in shown
    assert like.title == f"Meters built as {SCRIPT}"
    assert like.title in shown
    own = Outline(written[f"meters/{file_name(DRIFTER)}"]).text.replace("\u00a0", " ")
    assert f"Advice for {DRIFTER}." in own
    retired = Outline(written[f"meters/{file_name('CON')}"]).text
    assert "It is not in use, so no interval is needed." in retired


def test_a_fleet_that_was_never_left_in_has_no_survival_figure(review: Review) -> None:
    """Where no spell in tolerance began, the figure is left out and the page still stands."""
    out = review.ledger.with_columns(
        as_found_bias_pct=pl.lit(0.5), left_bias_pct=pl.lit(0.5), as_left_bias_pct=pl.lit(0.5)
    )
    page = fleet_page(dataclasses.replace(review, ledger=out))
    assert page.survival is None
    assert "How long may meters go unseen?" in fleet_html(page)


def test_hostile_text_is_shown_as_text(written: dict[str, str]) -> None:
    """Ids and remarks that look like markup appear as they were written."""
    fleet_text = Outline(written["meters.html"] + written["basis.html"]).text
    for meter_id in (SCRIPT, IMAGE, "../../etc/pass\\wd"):
        assert meter_id in fleet_text
    assert REMARK in fleet_text  # a reason in the rows held back
    own = Outline(written[f"meters/{file_name(DRIFTER)}"]).text
    assert REMARK in own
    assert "R. <b>Example</b>" in own
    longest = Outline(written[f"meters/{file_name('x' * 300)}"]).text
    assert "x" * 300 in longest
    assert "49" not in Outline(written[f"meters/{file_name(IDS[7])}"]).tags
    assert "{{ 7 * 7 }}" in Outline(written[f"meters/{file_name(IDS[7])}"]).text


def test_no_missing_value_leaks(written: dict[str, str]) -> None:
    """No page shows nan, None or null; what is not known is said in words."""
    for name, html in written.items():
        shown = Outline(html).text
        assert not re.search(r"\b(?:nan|None|null(?! hypothesis)|inf)\b", shown), name
    newcomer = Outline(written[f"meters/{file_name(NEWCOMER)}"]).text
    assert "cannot say" in newcomer
    assert "too few visits to set limits" in newcomer


def test_no_probability_is_certain(written: dict[str, str]) -> None:
    """Probabilities of 0 and 1 in the data are shown as under 1 % and over 99 %."""
    shown = Outline(written["index.html"]).text.replace("\u00a0", " ")
    assert "over 99 %" in shown
    assert "under 1 %" in shown
    points = re.sub(r"\b[Aa]t 0 %", "", shown)
    assert not re.search(r"(?<![0-9.])(?:0|100) %(?! air)", points)


def test_fleet_page_puts_action_first(fleet: FleetPage) -> None:
    """Meters that are barred come first, in the order of the review, and are named on top."""
    barred, *rest = fleet.table.groups
    assert barred.anchor == "do-not-use"
    assert [row.meter_id for row in barred.rows] == [DRIFTER, IMAGE]
    assert SCRIPT in {row.meter_id for group in rest for row in group.rows}
    assert fleet.lead[1] == f"Do not use {DRIFTER} and {IMAGE} (overdue)."
    html = render.html_fleet(fleet)["index.html"]
    places = [html.index(f'id="{name}"') for name in ("do-not-use", "keep", "signals")]
    assert places == sorted(places)


def test_a_retired_meter_asks_for_nothing(review: Review) -> None:
    """A retired meter that was last seen outside is not among those that need action."""
    meters = review.meters.with_columns(
        standing=pl.when(pl.col("meter_id") == "CON").then(pl.lit("out")).otherwise("standing")
    )
    page = fleet_page(dataclasses.replace(review, meters=meters))
    groups = {row.meter_id: group.anchor for group in page.table.groups for row in group.rows}
    assert groups["CON"] == "retired"
    assert next(row for row in page.meters if row.meter_id == "CON").retired


def test_empty_lists_are_said_not_left_blank(review: Review) -> None:
    """Without signals, overdue meters or rows held back the page says so."""
    quiet = dataclasses.replace(
        review,
        signals=review.signals.clear(),
        meters=review.meters.with_columns(
            overdue=pl.lit(value=False), standing=pl.lit("holding"), obligations=pl.lit("keep")
        ),
        obligations=review.obligations.clear(),
        sources=dataclasses.replace(review.sources, held_back=review.sources.held_back.clear()),
    )
    shown = Outline(fleet_html(fleet_page(quiet))).text
    for sentence in (
        "No meter is barred from use.",
        "Every signal has a response",
        "None is overdue.",
        "No row was held back: every one was used.",
    ):
        assert sentence in shown


def test_long_lists_are_cut_and_say_so(review: Review) -> None:
    """Fifty rows held back are shown of many, with the count and where the rest is."""
    many = pl.concat([review.sources.held_back] * 60)
    sources = dataclasses.replace(review.sources, held_back=many)
    page = fleet_page(dataclasses.replace(review, sources=sources))
    assert len(page.held_back) == 50
    assert "The first 50 of 120 reasons." in Outline(fleet_html(page)).text


def test_every_choice_of_the_policy_is_explained(fleet: FleetPage) -> None:
    """Each field of the policy stands on the page with its value and its meaning."""
    assert [choice.name for choice in fleet.policy] == list(choices_of(Policy()))
    assert all(choice.value and choice.meaning for choice in fleet.policy)


def test_provenance_and_cautions_stand_on_every_page(written: dict[str, str]) -> None:
    """Version, source, date and cautions are on each page; the hashes on the one of the basis."""
    for html in written.values():
        shown = Outline(html).text.replace("\u00a0", " ")
        assert "as known on 15 Jan 2025" in shown
        assert "pressurised vessel" in shown
        assert "Statistics release no meter for use" in shown
        assert "licensed practice prevail" in shown
    assert "ab" * 32 in written["basis.html"]


def test_every_figure_has_a_caption_and_a_label(written: dict[str, str]) -> None:
    """Each figure concludes something and can be read aloud."""
    for name, html in written.items():
        page = Outline(html)
        assert page.tags.count("figure") == page.tags.count("figcaption"), name
        labels = [value for tag, a, value in page.attributes if tag == "div" and a == "aria-label"]
        assert all(labels), name
        for figure in re.findall(r"<figure.*?</figure>", html, re.DOTALL):
            assert 'class="conclude"' in figure or '<figure class="chart"' in figure, name


def test_dossier_says_what_the_frames_hold(review: Review, dossier: DossierPage) -> None:
    """Visits, adjustments, signals with their responses and events come from the frames."""
    ledger = review.ledger.filter(pl.col("meter_id") == DRIFTER)
    assert len(dossier.visits) == ledger["visit_id"].n_unique()
    assert sum(visit.adjusted for visit in dossier.visits) == 2
    assert [visit.performed_on for visit in dossier.visits] == sorted(
        ledger["performed_on"].unique(), reverse=True
    )
    answered = [signal for signal in dossier.signals if signal.answered_on]
    assert [signal.response for signal in answered] == [f"{SCRIPT}; hand reset (A. Nobody)"]
    assert {event.what for event in dossier.events} == {
        "hand reset",
        "initial pressure mark moved at \u22121.5\u00a0% on the dial",
    }
    assert dossier.earlier is None
    assert dossier.later is not None
    assert dossier.later.meter_id == IMAGE


def test_captions_are_computed(review: Review, dossier: DossierPage) -> None:
    """The conclusion of each figure follows the data: another meter, another sentence."""
    charts = {chart.name: chart.conclude for chart in dossier.control.charts}
    assert (
        "The drift is confirmed: under 1 % of such findings are false alarms (q 0.003; 5 % is"
        in (_plain(dossier.drift_words))
    )
    assert "It was adjusted 2 times" in dossier.history.label
    assert charts["moving-range"].startswith("1 signal, all have a response")
    other = dossier_page(review, "am-01")
    assert "its dial is too coarse to show" in other.drift_words
    script = dossier_page(review, SCRIPT)
    assert "it may be drifting or steady" in script.drift_words
    assert _plain(script.drift_words).endswith(
        "At 5 % it jumped by \u22120.120 % air (\u22120.160 to \u22120.080) between 5 Jan 2023 "
        "and 5 May 2023."
    )
    assert "is shown to be steady" in dossier_page(review, "AM-01").drift_words
    assert "Nothing was ever adjusted" in other.history.label
    quiet = {chart.name: chart.conclude for chart in other.control.charts}
    assert quiet["moving-range"].startswith("No point lies outside its control limits")


def test_crossing_words(fleet: FleetPage) -> None:
    """A crossing has its interval; none within the horizon and none known are different words."""
    rows = {row.meter_id: row.crossing for row in fleet.meters}
    assert rows[DRIFTER].when.replace("\u00a0", " ") == "20 Feb 2025"
    assert rows[DRIFTER].interval == "now to beyond 5 years"
    assert rows["AM-01"].when == "not within 5 years"
    assert rows[NEWCOMER].when == "cannot say"


def test_pages_are_the_same_again(review: Review, written: dict[str, str]) -> None:
    """The same review gives the same bytes."""
    again = render.html_fleet(fleet_page(review))
    assert again == {name: written[name] for name in again}
    name = f"meters/{file_name(DRIFTER)}"
    assert render.html_dossier(dossier_page(review, DRIFTER)) == written[name]


def test_unknown_meter_is_refused(review: Review) -> None:
    """A meter that the review does not hold has no dossier."""
    with pytest.raises(KeyError):
        dossier_page(review, "nobody")


def test_date_of_the_review(fleet: FleetPage) -> None:
    """The page speaks for the date of the review, not for today."""
    assert fleet.stamp.as_of == AS_OF


def _plain(words: str) -> str:
    """Return text with plain spaces."""
    return words.replace("\u00a0", " ")


def test_a_vessel_that_moved_is_doubted_before_the_meters(review: Review, fleet: FleetPage) -> None:
    """The change of vessel stands in the first screen and leads its section, with its numbers."""
    part = fleet.reference
    moved = (
        f"Change from V-1 calibrated 1 Dec 2021 to {SCRIPT} calibrated 1 Mar 2024, between 29 Apr "
        "2024 and 30 Apr 2024: the same 8 meters read 0.031 % air higher at 5 % (95 % interval "
        "+0.022 to +0.040). That points to the vessel, not to the meters."
    )
    assert _plain(part.lead[0]) == moved
    assert part.doubt == part.lead[0]
    assert part.verdict == "in doubt"
    assert part.lead[1].startswith(f"{IMAGE} reads 0.015\u00a0%\u00a0air lower than")
    html = fleet_html(fleet)
    places = ["Doubt the reference first", 'id="do-not-use"', 'id="trust"', 'id="without"']
    assert [html.index(word) for word in places] == sorted(html.index(word) for word in places)
    old = dataclasses.replace(review, as_of=AS_OF.replace(year=2026))
    later = fleet_page(old).reference
    assert later.doubt.startswith("The calibration of 1\u00a0Mar\u00a02024")


def test_the_table_of_what_meters_share_is_that_of_the_frame(fleet: FleetPage) -> None:
    """Each effect has its row; where nothing can be said its reason stands in place of a number."""
    rows = fleet.reference.effects
    assert [row.found for row in rows] == [False, True, True, False, True, False]
    assert [row.confounded_with for row in rows if row.effect is None] == [
        "nothing to compare with",
        f"goes with operator {IMAGE}",
        "goes with dates",
    ]
    shown = _plain(Outline(fleet_html(fleet)).text)
    assert f"cannot say: goes with operator {IMAGE}" in shown
    assert "+0.022 to +0.040" in shown


def test_air_contents_that_disagree_are_gathered(fleet: FleetPage) -> None:
    """Readings alike are one row with their range; a value that is not known is said so."""
    rows = fleet.reference.checks
    assert [(row.vessel_id, row.sittings, row.meters) for row in rows] == [
        (IMAGE, 2, 2),
        ("V-9", 1, 1),
    ]
    shown = _plain(Outline(fleet_html(fleet)).text)
    assert "+0.060 to +0.080" in shown
    assert "no value" in shown
    assert f"no vessel: {SCRIPT}; not used" in shown


def test_standings_without_what_meters_share(review: Review, fleet: FleetPage) -> None:
    """Only the meter whose standing changes is listed; without a shared part that is said."""
    rows = fleet.reference.standings
    assert [(row.meter_id, row.as_read, row.alone) for row in rows] == [
        (SCRIPT, "watch", "holding")
    ]
    same = fleet_page(dataclasses.replace(review, own_meters=review.meters)).reference
    assert "no meter's standing changes" in same.standings_lead
    none = fleet_page(dataclasses.replace(review, own_meters=review.meters.clear())).reference
    assert (
        none.standings_lead == "Nothing was taken out of the readings: every standing is as read."
    )


def _with_effects(review: Review, effects: pl.DataFrame) -> FleetPage:
    """Return the fleet review of other effects, with nothing else wrong with the reference."""
    quiet = dataclasses.replace(
        review.reference,
        effects=effects,
        vessels=review.reference.vessels.clear(),
        compared=review.reference.compared.clear(),
    )
    return fleet_page(dataclasses.replace(review, reference=quiet))


def test_a_reference_of_which_nothing_is_known_is_not_praised(review: Review) -> None:
    """Without effects, or with none that can be told, the page cannot say; nor does it doubt."""
    effects = review.reference.effects
    nothing = _with_effects(review, effects.clear())
    assert nothing.reference.lead[0].startswith("Cannot say: no two visits")
    assert nothing.reference.doubt == ""
    assert nothing.reference.verdict == "cannot say"
    assert "Doubt the reference" not in fleet_html(nothing)
    mixed = _with_effects(review, effects.filter(pl.col("effect_pct").is_null()))
    assert [_plain(sentence) for sentence in mixed.reference.lead] == [
        (
            "Cannot say whether the vessels hold: V-1 calibrated 1 Dec 2021 has nothing to compare "
            "with. The same goes for 1 more. What would let it be judged: read five meters with a "
            "second vessel, and let a second operator read them too."
        )
    ]
    assert mixed.reference.doubt == ""


def test_a_reference_that_holds_is_said_with_what_would_have_been_seen(review: Review) -> None:
    """Effects told from chance but below a tenth of the tolerance put nothing in doubt."""
    effects = review.reference.effects.with_columns(
        effect_pct=pl.col("effect_pct") / 10, low=pl.col("low") / 10, high=pl.col("high") / 10
    )
    page = _with_effects(review, effects)
    assert page.reference.doubt == ""
    assert page.reference.verdict == "no doubt found"
    told = _plain(" ".join(page.reference.lead))
    assert "as matters. A shift of 0.004 % air at 5 % would have been seen." in told
    assert "the largest of 0.003 % air; those below 0.01 % air are not reported" in told
    assert "The rest cannot be judged: V-1 calibrated 1 Dec 2021 has nothing" in told


def test_the_bench_is_told_what_to_look_at_first(review: Review, written: dict[str, str]) -> None:
    """The latest weighed segment speaks: a cause with its numbers, or that none can be told."""
    bench = dossier_page(review, DRIFTER).bench
    assert _plain(bench.lead).startswith(
        "Initial pressure mark misplaced, 81 %: the pattern fits. Weighed: "
    )
    assert "+0.050 at 0 % and +0.100 at 5 %" in _plain(bench.lead)
    assert _plain(bench.lead).endswith("Chance that there is nothing to explain: 7 %.")
    shown = Outline(written[f"meters/{file_name(DRIFTER)}"]).text
    assert "never a diagnosis" in shown
    untold = _plain(dossier_page(review, SCRIPT).bench.lead)
    assert untold.startswith("Cannot tell: no cause stands out from the others. Likeliest are hand")
    assert _plain(dossier_page(review, NEWCOMER).bench.lead).startswith(
        "Cannot tell: one visit only. Weighed: "
    )


def test_moves_of_the_mark_are_worth_something_or_cannot_be_priced(dossier: DossierPage) -> None:
    """Newest first, with the change of bias at three points; an unknown unit stays as written."""
    unpriced, priced = dossier.bench.moves
    assert _plain(priced.change) == "\u22120.2 to \u22120.26 % on the dial"
    assert (priced.worth_0, priced.worth_5, priced.worth_10) == (-0.0625, -0.125, -0.1875)
    assert unpriced.worth_5 is None
    assert SCRIPT in unpriced.change
    assert "the unit changed" in Outline(render.html_dossier(dossier)).text


def _with_chart(review: Review, name: str, *, signal: bool) -> Review:
    """Return the review with one more chart, and perhaps one signal of it."""
    more = review.charted.filter(pl.col("chart") == "ewma").with_columns(chart=pl.lit(name))
    spoke = review.signals.head(1 if signal else 0).with_columns(chart=pl.lit(name))
    return dataclasses.replace(
        review,
        charted=pl.concat([review.charted, more]),
        signals=pl.concat([review.signals, spoke]),
    )


@pytest.mark.parametrize(
    "name", ["cusum_high", "cusum_low", "mean", "spread", "range", "repeatability"]
)
@pytest.mark.parametrize("signal", [True, False])
def test_every_chart_that_was_asked_for_is_drawn(review: Review, name: str, signal: bool) -> None:
    """It has a figure beside the usual ones, whether a rule spoke on it or not."""
    page = dossier_page(_with_chart(review, name, signal=signal), DRIFTER)
    drawn = {chart.name: chart for chart in page.control.charts}
    shown = name.replace("_", "-")
    assert set(drawn) == {"individuals", "moving-range", "ewma", shown}
    assert page.not_drawn == ""
    assert ("1 signal" in drawn[shown].conclude) == signal


@pytest.mark.parametrize("name", ["mark", "some_later_chart"])
def test_no_chart_is_left_out_in_silence(review: Review, name: str) -> None:
    """A chart without a figure is named with its signals, whatever it is called."""
    page = dossier_page(_with_chart(review, name, signal=True), DRIFTER)
    assert len(page.control.charts) == 3
    assert f"{name.replace('_', ' ')} (1 signal)" in page.not_drawn
    assert page.not_drawn in Outline(render.html_dossier(page)).text


def test_bands_are_of_what_their_captions_say(review: Review, dossier: DossierPage) -> None:
    """The forecast table has the band of the true bias and that of the next mean, each its own."""
    series = review.ledger.filter(pl.col("meter_id") == DRIFTER)["series"].unique()
    rows = review.forecasts.filter(pl.col("series").is_in(series.to_list())).sort("series")
    assert [row.at_due_low for row in dossier.trends] == rows["at_due_low"].to_list()
    assert [row.next_mean_low for row in dossier.trends] == rows["next_mean_low"].to_list()


def test_open_signals_come_newest_first_with_their_age(fleet: FleetPage) -> None:
    """A row a meter and visit, the newest first, each with its age and a command a signal."""
    ages = [visit.age_days for visit in fleet.open_visits]
    assert ages == sorted(ages)
    assert sum(len(visit.ids) for visit in fleet.open_visits) == fleet.open_signals_total
    assert len({(visit.meter_id, visit.visit_on) for visit in fleet.open_visits}) == len(ages)
    first = fleet.open_visits[0]
    assert ["drift respond" in line for line in first.command.splitlines()] == [True] * len(
        first.ids
    )
    assert first.age_days == (AS_OF - first.visit_on).days
    assert f"{first.age_days} days" in Outline(fleet_html(fleet)).text


def test_a_response_that_answers_nothing_is_listed(fleet: FleetPage) -> None:
    """The fleet page lists it with its reason; its hostile id stays text."""
    (stray,) = fleet.stray_responses
    assert stray.signal_id == IMAGE
    text = Outline(fleet_html(fleet)).text
    assert "Responses that answer no signal" in text
    assert "names no signal of this review" in text
