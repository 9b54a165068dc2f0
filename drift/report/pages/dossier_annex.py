"""This module says in a line each what stands folded below a dossier."""

from collections.abc import Sequence

from drift import format as text
from drift.report.pages.dossier_checks import ChecksPart
from drift.report.pages.dossier_conformity import RULE_WORDS, VerdictRow
from drift.report.pages.dossier_control import ControlPart
from drift.report.pages.dossier_readings import ReadingsPart
from drift.report.pages.dossier_tables import EventRow, LimitGroup, VisitRow
from drift.report.pages.dossier_zero_span import ZeroSpanPart
from drift.report.pages.intervals import ScopePart
from drift.report.pages.journal import JournalRow
from drift.report.pages.parts import SignalRow, TrendRow
from drift.review.policy import Policy

# Anchor, heading and what is in it.
AnnexLine = tuple[str, str, str]


def limits_line(limits: Sequence[LimitGroup], policy: Policy) -> AnnexLine:
    """Say what the limits rest on."""
    rows = [row for group in limits for row in group.rows]
    known = [row for row in rows if row.first_on and row.last_on]
    gist = "no chart has limits yet"
    if known:
        row = max(known, key=lambda row: row.phase)
        first, last = text.month(row.first_on), text.month(row.last_on)  # type: ignore[arg-type]
        span = first if first == last else f"{first} to {last}"
        until = "their end" if policy.baseline_dates else f"there are {policy.baseline_visits}"
        state = "frozen" if row.full else f"set anew at each visit until {until}"
        gist = f"from {text.count(row.points, 'visit')}, {span}; {state}"
    return "limits", "Limits", gist


def conformity_line(last: Sequence[VerdictRow], rule: str) -> AnnexLine:
    """Say what the last visit conforms to, as found and as left."""
    stages = dict.fromkeys(row.stage for row in last)
    told = [f"{stage} {_verdict([row for row in last if row.stage == stage])}" for stage in stages]
    gist = "; ".join([*told, RULE_WORDS[rule]]) if told else "no reading to judge"
    return "annex-conformity", "Conformity and budget", gist


def _verdict(sittings: Sequence[VerdictRow]) -> str:
    """Say where the sittings of a stage fail, or else pass, and how sure that is at the worst."""
    failed = [row for row in sittings if row.verdict.startswith("fails")]
    judged = failed or [row for row in sittings if row.verdict.startswith("passes")]
    if not judged:
        return text.CANNOT_SAY
    at = text.listed([text.point(row.point_pct) for row in judged])
    sure = min((row.p_conform for row in judged if row.p_conform is not None), default=None)
    chance = f", {text.chance(sure)} that it conforms" if sure is not None else ""
    return f"{'fails' if failed else 'passes'} at {at}{chance}"


def drift_line(trends: Sequence[TrendRow]) -> AnnexLine:
    """Say what the drifts are."""
    known = [row for row in trends if text.known(row.drift)]
    told = [f"{text.bias(row.drift)} at {text.point(row.point_pct)}" for row in known]
    gist = f"{text.listed(told)}, % air a year" if told else "too few visits to show a drift"
    return "drift", "Drift and forecast by point", gist


def zero_span_line(part: ZeroSpanPart) -> AnnexLine:
    """Say whether zero or span moved."""
    return "zero-span", "Zero and span", part.gist


def charts_line(part: ControlPart) -> AnnexLine:
    """Say how many charts there are."""
    return "charts", "Control charts in full", text.count(len(part.charts), "chart")


def checks_line(part: ChecksPart) -> AnnexLine:
    """Say what the checks between calibrations show."""
    return "between", "Checks between calibrations", part.lead


def interval_line(scope: ScopePart | None) -> AnnexLine:
    """Say how long it may go unseen."""
    gist = text.in_days(scope.days) if scope else "not in use"
    return "annex-intervals", "How long it may go unseen", gist


def signals_line(signals: Sequence[SignalRow]) -> AnnexLine:
    """Say how many signals have their response."""
    answered = sum(row.answered_on is not None for row in signals)
    many = text.count(len(signals), "signal")
    gist = f"{many}, {answered} with a response" if signals else "no signal to answer"
    return "signals", "Signals and responses", gist


def visits_line(visits: Sequence[VisitRow], part: ReadingsPart) -> AnnexLine:
    """Say how many visits and readings there are."""
    lost = sum(visit.evidence_lost for visit in visits)
    gone = f", {lost} adjusted before it was read as found" if lost else ""
    gist = f"{text.count(len(visits), 'visit')}, {text.count(part.readings, 'reading')}{gone}"
    return "visits", "Visits and readings", gist


def work_line(events: Sequence[EventRow], noted: Sequence[str]) -> AnnexLine:
    """Say how much service there was, and what could not be read."""
    unread = f"; {text.count(len(noted), 'note')} on rows or uses" if noted else ""
    return "work", "Service and mark", f"{text.count(len(events), 'record')}{unread}"


def journal_line(entries: Sequence[JournalRow]) -> AnnexLine:
    """Say how many entries of the journal name the meter."""
    gist = text.count(len(entries), "entry", "entries") if entries else "no entry about it"
    return "journal", "Who changed its records", gist
