"""This module words the first screen of a dossier: the finding, what is owed and why not, facts."""

from collections.abc import Iterator
from dataclasses import dataclass

import polars as pl

from drift import format as text
from drift.frames import Row, of_meter
from drift.report.pages import captions
from drift.report.pages.dossier_bench import CAUSE_WORDS
from drift.report.pages.parts import MeterRow, TrendRow
from drift.review import obligations as owed
from drift.review.obligation_words import capital
from drift.review.policy import Policy
from drift.review.results import Review
from drift.trend.equivalence import DRIFTING

# Adjustments that all go one way, from which they are said to hide a drift.
_ONE_WAY = 4
_MAY_BE_OUT = "may be out before it is next due"
# How the shared part of readings must change a chance before it is told at the head.
_DOUBT = 0.02

_NAMES = {
    owed.DO_NOT_USE: "Do not use",
    owed.OVERDUE: "Overdue",
    owed.SEE_EARLY: "See it early",
    owed.RESET: "Re-set it though it passes",
    owed.FIND_CAUSE: "Find the cause",
    owed.REVIEW: "Review results",
    owed.CLOSE: "Close the file",
    owed.KEEP_IN_USE: "Keep to the schedule",
}
_TONES = {
    owed.DO_NOT_USE: "stop",
    owed.OVERDUE: "stop",
    owed.CLOSE: "calm",
    owed.KEEP_IN_USE: "calm",
}


@dataclass(frozen=True, slots=True)
class Rung:
    """One obligation, whether it applies or why it does not.

    Attributes
    ----------
    name : str
    words : str
        What is to be done and why, or why nothing is.
    tone : str
        ``stop``, ``look`` or ``calm`` where it applies, else empty.
    link : str
        Part of the page that shows more, empty for none.
    """

    name: str
    words: str
    tone: str
    link: str


@dataclass(frozen=True, slots=True)
class Front:
    """What the head of a dossier says.

    Attributes
    ----------
    about : str
        Standing, place and dial, on one line.
    finding : str
        The headline, after the name of the meter.
    lead : tuple of str
        Sentences below it.
    doubt : str
        What the reference does to the verdict, empty where nothing.
    ladder : tuple of Rung
        Every obligation, strongest first.
    facts : tuple of (str, str)
        Labels and values.
    """

    about: str
    finding: str
    lead: tuple[str, ...]
    doubt: str
    ladder: tuple[Rung, ...]
    facts: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Told:
    """What the head is worded from: a meter's row, frames of it alone, and its trends."""

    meter: MeterRow
    row: Row
    ledger: pl.DataFrame
    owed: dict[str, Row]
    signals: pl.DataFrame
    trends: tuple[TrendRow, ...]
    jump: Row | None
    cause: Row | None

    @property
    def one_way(self) -> int:
        """Return how many of the last adjustments went one way, with its sign."""
        ledger = self.ledger
        moves = (ledger["as_left_bias_pct"] - ledger["as_found_bias_pct"]).filter(
            (ledger["point_pct"] == self.meter.point_pct) & ledger["adjusted"]
        )
        run = 0
        for move in reversed(moves.drop_nulls().to_list()):
            way = (move > 0) - (move < 0)
            if not way or run * way < 0:
                break
            run += way
        return run

    @property
    def drifting(self) -> TrendRow | None:
        """Return the largest drift that is confirmed."""
        confirmed = [
            row for row in self.trends if row.verdict == DRIFTING and text.known(row.drift)
        ]
        return max(confirmed, key=lambda row: abs(row.drift or 0.0), default=None)

    @property
    def ever_outside(self) -> int:
        """Return how many visits found any point outside."""
        return self.ledger["visit_id"].filter(~self.ledger["within"]).n_unique()


def front_part(review: Review, told: Told) -> Front:
    """Return what the head of a meter's dossier says."""
    return Front(
        about=_about(review, told),
        finding=next(_findings(review, told)),
        lead=_lead(told),
        doubt=_doubt(review, told),
        ladder=_ladder(review, told),
        facts=_facts(review, told),
    )


def _about(review: Review, told: Told) -> str:
    """Return standing, place and dial of a meter."""
    known = of_meter(review.sources.meters, told.meter.meter_id).to_dicts()
    row = known[-1] if known else {}
    dial = row.get("dial_resolution_pct")
    status = row.get("status")
    parts = [
        told.meter.standing,
        "overdue" if told.meter.overdue else "",
        text.words_of(status) if status not in (None, "active", told.meter.standing) else "",
        row.get("site") or "",
        f"dial read to {text.plain(dial)}{text.NO_BREAK}% air" if text.known(dial) else "",
    ]
    return " · ".join(part for part in parts if part)


def _findings(review: Review, told: Told) -> Iterator[str]:
    """Yield the findings on a meter, the one that matters most first."""
    row = told.row
    if owed.DO_NOT_USE in told.owed:
        yield _barred(told)
    if owed.OVERDUE in told.owed:
        late = text.count((review.as_of - row["next_due_on"]).days, "day")
        yield f"is overdue by {late}: not to be used until it is calibrated."
    if owed.SEE_EARLY in told.owed:
        by = told.owed[owed.SEE_EARLY]["by_on"]
        when = "now" if by is None or by <= review.as_of else f"by {text.day(by)}"
        asked = (row["p_out_next_due"] or 1.0) < 1 - review.policy.intervals.target
        why = "is asked for by a check between calibrations" if asked else _MAY_BE_OUT
        yield f"{why}: see it {when}."
    if owed.RESET in told.owed:
        yield "passes, but lies so near the limit that it should be reset."
    yield from _causes_found(told)
    yield from _settled(told)


def _causes_found(told: Told) -> Iterator[str]:
    """Yield what asks for a cause."""
    drift, way = told.drifting, abs(told.one_way)
    if drift is not None and way >= _ONE_WAY:
        if not told.ever_outside:
            yield "passes every check only because it is reset before it fails."
        yield f"drifts, and adjustments hide it: the last {way} all took it back."
    if told.jump is not None and owed.FIND_CAUSE in told.owed:
        at, size = text.point(told.jump["point_pct"]), text.bias(told.jump["size"])
        yield f"jumped by {size}{text.NO_BREAK}% air at {at}: find out why."
    if drift is not None:
        rate = f"{text.bias(drift.drift)}{text.NO_BREAK}% air a year"
        yield f"is inside, and drifts by {rate} at {text.point(drift.point_pct)}."


def _settled(told: Told) -> Iterator[str]:
    """Yield the findings on a meter that neither drifts nor is barred."""
    row = told.row
    if owed.REVIEW in told.owed:
        since = told.owed[owed.REVIEW]["since_on"]
        span = f" since {text.day(since)}" if since else ""
        yield f"was found outside and put right: results{span} wait for a decision."
    if owed.FIND_CAUSE in told.owed:
        yield "is inside, and something about it asks for a cause."
    if row["standing"] == "retired":
        yield "is out of use for good."
    if owed.CLOSE in told.owed:
        yield "holds, but its file is open."
    if row["standing"] == "unproven":
        yield "is inside, with too few visits to say how long it will stay so."
    if row["p_out_next_due"] is None:
        yield "was left inside; what comes cannot be forecast."
    due = text.day(row["next_due_on"]) if row["next_due_on"] else "its next visit"
    yield f"holds: {text.chance(row['p_out_next_due'])} that it is out by {due}."


def _barred(told: Told) -> str:
    """Return the finding on a meter that must not be used."""
    row = told.row
    level, at = row["as_found_bias_pct"], text.point(row["worst_point_pct"])
    because = ""
    if told.cause is not None:
        because = f": {CAUSE_WORDS[told.cause['cause']][0]}, most likely"
    if text.known(level):
        way = "high" if level > 0 else "low"
        off = f"{text.fixed(abs(level), places=2)}{text.NO_BREAK}%"
        return f"reads {off} {way} at {at} and must not be used{because}."
    return f"must not be used{because}."


def _lead(told: Told) -> tuple[str, ...]:
    """Return what stands below the headline."""
    drift, row = told.drifting, told.row
    sentences = []
    if told.jump is not None:
        sentences.append(captions.jump(told.jump))
    elif drift is not None:
        interval = text.interval(drift.low, drift.high)
        behind = (
            "Behind its adjustments it drifts" if abs(told.one_way) >= _ONE_WAY else "It drifts"
        )
        sentences.append(
            f"{behind} {text.bias(drift.drift)}{text.NO_BREAK}% air a year at "
            f"{text.point(drift.point_pct)} ({interval})."
        )
    at_worst = told.ledger["point_pct"] == row["worst_point_pct"]
    known = told.ledger["unadjusted_path_pct"].filter(at_worst).drop_nulls()
    if told.ledger["adjusted"].any() and known.len():
        sentences.append(
            f"Without adjustments it would now read about {text.bias_with_unit(known[-1])} off "
            f"at {text.point(row['worst_point_pct'])}."
        )
    if not sentences:
        sentences.append(told.meter.reason)
    return tuple(sentences)


def _doubt(review: Review, told: Told) -> str:
    """Say what the verdict is without what meters share, where that differs."""
    own = of_meter(review.own_meters, told.meter.meter_id).to_dicts()
    if not own:
        return ""
    read, alone = told.row["p_out_next_due"], own[0]["p_out_next_due"]
    if read is None or alone is None:
        return ""
    other = own[0]["standing"] != told.row["standing"]
    if not other and abs(read - alone) < _DOUBT and not _turns(read, alone, review.policy):
        return ""
    standing = f" It would then be called {own[0]['standing']}." if other else ""
    return (
        f"Vessel or operator may shift its readings. As read, there is {text.chance(read)} that it "
        f"is out when next due; with that shift taken out, {text.chance(alone)}.{standing}"
    )


def _turns(read: float, alone: float, policy: Policy) -> bool:
    """Say whether two chances lie on either side of what a laboratory accepts."""
    accepted = 1 - policy.intervals.target
    return (read >= accepted) != (alone >= accepted)


def _ladder(review: Review, told: Told) -> tuple[Rung, ...]:
    """Return every obligation: what it asks, or why it asks nothing."""
    rungs = []
    for token in owed.TOKENS:
        if token in told.owed:
            sentence = told.owed[token]["sentence"]
            words = sentence.partition(": ")[2] if token in _PLAIN else sentence
            tone = _TONES.get(token, "look")
            rungs.append(Rung(_NAMES[token], capital(words), tone, _LINKS.get(token, "")))
        elif token in _WHY_NOT:
            rungs.append(Rung(_NAMES[token], _WHY_NOT[token](review, told), "", ""))
    return tuple(rungs)


def _not_barred(_review: Review, told: Told) -> str:
    """Say why a meter may be used."""
    now = told.row["p_out_now"]
    return f"no: {text.chance(now)} that it is out today" if now is not None else "no: found inside"


def _not_overdue(_review: Review, told: Told) -> str:
    """Say why a meter is not overdue."""
    due = told.row["next_due_on"]
    return f"no: due {text.day(due)}" if due else "no: nothing is due"


def _not_early(review: Review, told: Told) -> str:
    """Say why a meter need not be seen early."""
    due, chance = told.row["next_due_on"], told.row["p_out_next_due"]
    if owed.DO_NOT_USE in told.owed or due is None:
        return "nothing is due while it is not in use"
    if owed.OVERDUE in told.owed:
        return "it is due already"
    if chance is None:
        return "cannot say: nothing can be forecast"
    accepted = text.share(1 - review.policy.intervals.target)
    return f"no: {text.chance(chance)} that it is out when due, under the {accepted} accepted"


def _no_cause(_review: Review, told: Told) -> str:
    """Say why no cause is asked for."""
    if told.row["visits"] < 2 or not told.trends:
        return "cannot say yet: too few visits"
    return "no: no confirmed drift, no jump, no failed checks or one-way adjustments in a row"


def _no_review(_review: Review, told: Told) -> str:
    """Say why no results are in doubt."""
    outside, visits = told.ever_outside, text.count(told.row["visits"], "visit")
    if not outside:
        return f"no: never found outside in {visits}"
    return f"no: found outside at {outside} of {visits}, none of it waiting for a decision"


def _not_open(_review: Review, _told: Told) -> str:
    """Say why the file is closed."""
    return "nothing open: every signal has its response, no row is held back"


def _kept(_review: Review, told: Told) -> str:
    """Say when the next calibration is due by the schedule."""
    due = told.row["next_due_on"]
    if due is None or {owed.DO_NOT_USE, owed.OVERDUE} & told.owed.keys():
        return "none until it has been put right and calibrated"
    return f"next calibration by {text.day(due)}"


_WHY_NOT = {
    owed.DO_NOT_USE: _not_barred,
    owed.OVERDUE: _not_overdue,
    owed.SEE_EARLY: _not_early,
    owed.FIND_CAUSE: _no_cause,
    owed.REVIEW: _no_review,
    owed.CLOSE: _not_open,
    owed.KEEP_IN_USE: _kept,
}
# Obligations whose sentence begins with their name.
_PLAIN = {owed.FIND_CAUSE, owed.CLOSE, owed.KEEP_IN_USE}
_LINKS = {owed.FIND_CAUSE: "#cause", owed.CLOSE: "#signals"}


def _facts(review: Review, told: Told) -> tuple[tuple[str, str], ...]:
    """Return the numbers that a reader asks for first, as pairs of label and text."""
    row, meter = told.row, told.meter
    worst = next((each for each in told.trends if each.point_pct == row["worst_point_pct"]), None)
    at = text.point(row["worst_point_pct"])
    facts = [
        ("Chance it is out when due", text.probability(row["p_out_next_due"])),
        (f"Bias at {at} now", text.bias_with_unit(row["level_pct"])),
    ]
    if worst is not None and text.known(worst.at_due):
        band = text.share(review.policy.band_level)
        between = text.interval(worst.at_due_low, worst.at_due_high)
        facts += [
            (
                f"Bias at {at} when due",
                f"{text.bias(worst.at_due)} ({between}, {band})",
            ),
            (
                f"Next mean expected at {at}",
                f"{text.interval(worst.next_mean_low, worst.next_mean_high)} ({band})",
            ),
        ]
    interval = f" ({meter.crossing.interval})" if meter.crossing.interval else ""
    facts.append(("Leaves tolerance", f"{meter.crossing.when}{interval}"))
    facts.append(("Repeatability", _repeats(meter)))
    facts.append(("Visits", f"{meter.visits}, last {text.day(meter.last_visit_on)}"))
    due = text.day(meter.next_due_on) if meter.next_due_on else "nothing is due"
    facts.append(("Next due", f"{due}{', overdue' if meter.overdue else ''}"))
    return tuple(facts)


def _repeats(meter: MeterRow) -> str:
    """Return how far one reading scatters."""
    if not text.known(meter.repeatability_pct):
        return text.CANNOT_SAY
    size = f"{text.spread(meter.repeatability_pct)}{text.NO_BREAK}% air"
    return f"{size}, one reading, rounding included"
