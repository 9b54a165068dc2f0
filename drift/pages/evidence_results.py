"""This module answers what an assessor asks about records, results and control; it judges none."""

from collections.abc import Collection

import polars as pl

import drift
from drift import format as text
from drift.analysis.evidence import Evidence
from drift.pages.evidence_data import MISSING, OUTSIDE, PARTLY, SHOWN, Entry
from drift.pages.evidence_equipment import named, span
from drift.results import Review
from drift.row_counts import row_counts
from drift.stats.conformity import decision_rule
from drift.validation import VALIDATIONS

# Drift at which the charts are spoken of, % air a year: nearest of those studied.
_TOLD_DRIFT = 0.08
# What notices a drift, in words; two of these are charts that a policy may leave out.
_MONITORS = {"beyond_limits": "limits of single visits", "ewma": "EWMA", "cusum": "CUSUM"}
_CHOSEN = ("ewma", "cusum")
_AIR = f"{text.NO_BREAK}%{text.NO_BREAK}air"


def result_entries(review: Review, evidence: Evidence) -> tuple[Entry, ...]:
    """Return the answers on records and results, clause by clause."""
    return (
        _originals(review),
        _uncertainty(review),
        _trends(review, evidence),
        _acted_on(review),
        _rule(review),
        _nonconforming(review),
        _software(),
        _kept(review),
    )


def _originals(review: Review) -> Entry:
    """Answer whether originals and amendments can be traced."""
    amended = review.sources.amendments
    held_rows = row_counts(review.sources).held_back
    return Entry(
        "7.5",
        checked=True,
        asks="Originals are kept with dates and persons; what was amended can be traced to them.",
        state=PARTLY if held_rows else SHOWN,
        answer=(
            (
                f"{text.count(int(review.sources.files['rows'].sum()), 'row')} from "
                f"{text.count(review.sources.files.height, 'file')}, each file with its SHA-256."
            ),
            (
                f"{text.count(amended.height, 'value')} amended; the earlier value of each is kept "
                "beside its file and line."
            ),
            f"{text.count(held_rows, 'row')} held back and not used, each with its reason.",
        ),
        proof=(
            ("#amendments", "amended values"),
            ("index.html#held-back", "rows held back"),
            ("data/held_back.csv", "all of them"),
            ("data/run.json", "input files"),
        ),
    )


def _uncertainty(review: Review) -> Entry:
    """Answer whether the uncertainty of each bias is evaluated."""
    verdicts = review.conformity.verdicts
    known = verdicts.drop_nulls("expanded_u_pct")
    middle = [
        f"{text.spread(value)}{_AIR} at {text.point(point)}"
        for point, value in known.group_by("point_pct")
        .agg(pl.col("expanded_u_pct").median())
        .sort("point_pct")
        .iter_rows()
    ]
    answer = (
        (
            f"{text.whole(known.height)} of {text.count(verdicts.height, 'bias', 'biases')} have "
            "an "
            "uncertainty."
        ),
        f"Half of the expanded uncertainties are below {text.listed(middle)}."
        if middle
        else "None could be worked out.",
    )
    return Entry(
        "7.6",
        checked=False,
        asks="Contributions to uncertainty are identified and evaluated.",
        state=MISSING if known.is_empty() else SHOWN if known.height == verdicts.height else PARTLY,
        answer=answer,
        proof=(
            ("index.html#conformity", "conformity"),
            ("data/uncertainty.csv", "budgets, line by line"),
        ),
    )


def _trends(review: Review, evidence: Evidence) -> Entry:
    """Answer whether trends can be seen, on what basis, and how soon."""
    drawn = review.charted.filter(pl.col("chart") == "individuals").drop_nulls("upper")
    series = review.ledger["series"].n_unique()
    with_limits = drawn["series"].n_unique()
    few = (
        f"; {text.whole(series - with_limits)} have too few visits" if with_limits < series else ""
    )
    answer = [
        (
            f"{text.whole(with_limits)} of {text.count(series, 'series', 'series')} (a meter at a "
            f"point) have control limits from a stated baseline{few}."
        ),
        *_seen(evidence, charts=review.policy.charts),
        _proven(evidence),
        *_unfinished(review),
    ]
    return Entry(
        "7.7.1",
        checked=True,
        asks="Data are recorded so that trends show, by statistical methods where practicable.",
        state=SHOWN if with_limits == series and _is_proven(evidence) else PARTLY,
        answer=tuple(answer),
        proof=(
            ("#detectability", "what the charts can see"),
            *([("#forecast-proof", "proof of the forecasts")] if _is_proven(evidence) else []),
            ("data/forecast.csv", "forecasts"),
            *named(review.meters["meter_id"].head(1).to_list()),
        ),
    )


def _seen(evidence: Evidence, *, charts: Collection[str]) -> tuple[str, ...]:
    """Say what the charts in force cost and how soon they see a drift."""
    found = evidence.detectability
    unseen = [name for name in ("tolerance_check", *_CHOSEN) if name not in charts]
    drifts = found.drifts.filter(pl.col("drift_pct_per_year") == _TOLD_DRIFT)
    sooner = drifts.filter(~pl.col("monitor").is_in(unseen)).drop_nulls("mean_years")
    alarms = found.false_alarms.filter(~pl.col("monitor").is_in(unseen))
    told = [
        f"{_monitor(row['monitor'])} {text.fixed(row['mean_years'], places=1)} years"
        for row in sooner.sort("mean_years").to_dicts()
    ]
    if not told:
        return ("What the charts can see was not worked out.",)
    rates = [
        f"{_monitor(row['monitor'])} {text.fixed(row['false_alarms_a_quarter'], places=2)}"
        for row in alarms.to_dicts()
    ]
    return (
        (
            f"A drift of {text.plain(_TOLD_DRIFT)}{_AIR} a year is noticed on average after: "
            f"{text.listed(told)}."
        ),
        (
            f"False alarms a quarter in a sound fleet of "
            f"{text.count(found.watch.meters, 'meter')}: "
            f"{text.listed(rates)}."
        ),
    )


def _monitor(name: str) -> str:
    """Return what notices a drift, in words."""
    return _MONITORS.get(name, text.words_of(name))


def _is_proven(evidence: Evidence) -> bool:
    """Say whether there was a past visit to judge the forecasts by."""
    return evidence.proof is not None and evidence.proof.forecasts > 0


def _proven(evidence: Evidence) -> str:
    """Say how past forecasts came out."""
    proof = evidence.proof
    if proof is None or proof.forecasts == 0:
        return "Missing: no past visit to judge the forecasts by."
    return (
        f"{text.count(proof.forecasts, 'mean')} of past visits forecast, each at its point: "
        f"{text.share(proof.band_level)} bands held {text.probability(proof.coverage)} "
        f"({text.probability(proof.coverage_low)} to {text.probability(proof.coverage_high)})."
    )


def _unfinished(review: Review) -> tuple[str, ...]:
    """Say it where the search for the fleet's parameters ended before its top."""
    if review.fit is None or review.fit.converged:
        return ()
    steps = text.count(review.fit.rounds, "step")
    return (f"Missing: the fleet's parameters behind the forecasts had not settled after {steps}.",)


def _acted_on(review: Review) -> Entry:
    """Answer whether signals were acted on."""
    signals = review.signals
    waiting = signals.filter(pl.col("answered_on").is_null())
    stray = review.responses.filter(pl.col("problem") != "").height
    answer = [
        (
            f"{text.count(signals.height, 'signal')} ({span(signals['visit_on'])}); "
            f"{text.whole(signals.height - waiting.height)} with a response."
        )
    ]
    if waiting.height:
        oldest = (review.as_of - min(waiting["visit_on"])).days
        answer.append(
            f"Missing: a response to {text.count(waiting.height, 'signal')}, the oldest open for "
            f"{text.count(oldest, 'day')}."
        )
    if stray:
        answer.append(f"{text.count(stray, 'response')} that names no signal it could answer.")
    sound = waiting.is_empty() and not stray
    return Entry(
        "7.7.3",
        checked=False,
        asks="Monitoring data are analysed and acted on, so that wrong results are not reported.",
        state=SHOWN if sound else MISSING if waiting.height == signals.height else PARTLY,
        answer=tuple(answer),
        proof=(
            ("index.html#signals", "signals without a response"),
            ("data/signals.csv", "all signals"),
            ("data/responses.csv", "all responses"),
        ),
    )


def _rule(review: Review) -> Entry:
    """Answer by which rule a bias passes, and with what risk."""
    rule = decision_rule(review.policy.decision_rule)
    verdicts = review.conformity.verdicts.drop_nulls("verdict")
    counts = [
        f"{text.words_of(name)} {text.whole(number)}"
        for name, number in verdicts["verdict"].value_counts().sort("verdict").iter_rows()
    ]
    risks = [
        f"{text.rare(row['false_accept'])} at {text.point(row['point_pct'])} "
        f"({text.rare(row['false_accept_low'])} to {text.rare(row['false_accept_high'])})"
        for row in review.conformity.risks.drop_nulls("false_accept").to_dicts()
    ]
    answer = (
        f"In force: {text.words_of(rule.name)}. {rule.meaning}",
        f"{text.count(verdicts.height, 'bias', 'biases')} judged: {text.listed(counts)}."
        if counts
        else "Nothing was judged.",
        f"Share of checks expected to pass a meter that is out: {text.listed(risks)}."
        if risks
        else "Missing: the risk of passing a meter that is out could not be worked out.",
    )
    return Entry(
        "7.8.6",
        checked=True,
        asks="The decision rule is documented with its risk, and applied.",
        state=SHOWN if counts and risks else PARTLY,
        answer=answer,
        proof=(
            ("index.html#conformity", "conformity"),
            ("data/conformity.csv", "every verdict"),
            ("data/risks.csv", "risks of the fleet"),
            ("index.html#policy", "policy in force"),
        ),
    )


def _nonconforming(review: Review) -> Entry:
    """Answer what was found out of tolerance, and what is known of its consequences."""
    found = review.conformity.verdicts.filter(
        (pl.col("stage") == "as_found") & (pl.col("verdict") == "fail")
    )
    visits = found.select("meter_id", "visit_id", "performed_on").unique()
    left = review.conformity.verdicts.filter(pl.col("stage") == "as_left")
    passed = left.group_by("meter_id", "visit_id").agg(sound=(pl.col("verdict") == "pass").all())
    righted = visits.join(passed.filter("sound"), on=["meter_id", "visit_id"], how="semi").height
    tests = review.sources.field_tests
    answer = [
        f"{text.count(visits.height, 'visit')} found a meter out of tolerance"
        + (f" ({span(visits['performed_on'])})" if visits.height else "")
        + f"; at {text.whole(righted)} of them it was read as left and passed.",
        f"{text.count(tests.height, 'field test')} on record ({span(tests['tested_on'])}), from "
        "which an impact note can be made."
        if tests.height
        else "Missing: no field test is on record, so that touched results cannot be named.",
        (
            "Missing here: what was decided, who was told and who authorised going on; the "
            "impact note "
            "has room for these."
        ),
    ]
    return Entry(
        "7.10",
        checked=True,
        asks=(
            "Nonconforming work is evaluated with its effect on earlier results; customers are "
            "told where necessary; going on is authorised."
        ),
        state=SHOWN if visits.is_empty() else PARTLY,
        answer=tuple(answer),
        proof=(
            ("data/conformity.csv", "every verdict"),
            *named(
                visits.sort("performed_on", "meter_id", descending=[True, False])["meter_id"]
                .unique(maintain_order=True)
                .to_list()
            ),
        ),
    )


def _software() -> Entry:
    """Answer how the program itself is validated."""
    tally = dict.fromkeys(("read", "memory", "derived"), 0)
    for row in VALIDATIONS:
        tally[row.status] += 1
    return Entry(
        "7.11",
        checked=False,
        asks="Software is validated before use, and changes to it are authorised.",
        state=PARTLY,
        answer=(
            (
                f"drift {drift.__version__}; {text.count(len(VALIDATIONS), 'part')} checked "
                "against "
                f"sources: {tally['read']} read, {tally['memory']} from memory and "
                f"recomputed, {tally['derived']} derived apart."
            ),
            (
                "Missing here: that this laboratory has run these tests where it uses the "
                "program, and "
                "who released it for use."
            ),
        ),
        proof=(("#validation", "what is checked against what"), ("data/run.json", "this run")),
    )


def _kept(review: Review) -> Entry:
    """Answer how records are controlled, as far as the program knows."""
    return Entry(
        "8.4",
        checked=True,
        asks="Records are legible, stored, backed up, retrievable and kept as long as required.",
        state=OUTSIDE,
        answer=(
            (
                f"This review can be made again from "
                f"{text.count(review.sources.files.height, 'file')} named by their SHA-256, byte "
                "for "
                "byte."
            ),
            (
                "Storage, back-up, retention and disposal are the laboratory's and not in these "
                "tables."
            ),
        ),
        proof=(("index.html#provenance", "provenance"), ("data/run.json", "input files")),
    )
