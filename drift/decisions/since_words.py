"""This module says in sentences what has changed since an earlier review; it compares nothing."""

from datetime import date

import polars as pl

from drift.decisions.predictions import Prediction
from drift.format import count, fixed, listed, probability, share, whole

# A share of bands is judged once there are this many; fewer prove nothing. Our choice, no source.
_FEWEST_JUDGED = 5
# A number found out is told from what was expected below this chance, either way; no source.
_UNLIKELY = 0.025


def changed_in_short(rows: pl.DataFrame, *, earlier_as_of: date) -> str:
    """Return the rows of `changes_since.SINCE` counted, in one clause: "3 new signals and …"."""
    counts = dict(rows.group_by("kind").len().iter_rows())
    words = (
        ("standing", "standing changed", "standings changed"),
        ("new_signal", "new signal", "new signals"),
        ("ended_signal", "signal no longer raised", "signals no longer raised"),
        ("response", "response made", "responses made"),
        ("new_meter", "new meter", "new meters"),
        ("gone_meter", "meter gone", "meters gone"),
        ("policy", "choice of the policy changed", "choices of the policy changed"),
        ("program", "other version of the program", "other versions of the program"),
    )
    said = {kind: count(counts[kind], one, many) for kind, one, many in words if kind in counts}
    old = rows.filter((pl.col("kind") == "new_signal") & (pl.col("on_date") <= earlier_as_of))
    if old.height:
        said["new_signal"] += (
            f" ({whole(old.height)} at visits known then: baselines completed since)"
        )
    if not said:
        return "no standing, signal, response or meter has changed"
    return listed(list(said.values()))


def bands_in_words(prediction: Prediction) -> str:
    """Say how many of the next as-found means lay in the bands that were given for them."""
    far = (
        f" {count(prediction.far, 'mean')} came too far from the day of the band to be judged."
        if prediction.far
        else ""
    )
    if not prediction.judged:
        return f"No visit since can be judged by a band.{far}"
    promised = f"{share(prediction.level)} " if prediction.level is not None else ""
    percent = f"{fixed(100 * prediction.inside / prediction.judged, places=0)} %"
    interval = (
        f"{fixed(100 * prediction.low, places=0)} to {fixed(100 * prediction.high, places=0)} %"
    )
    lay = (
        f"{whole(prediction.inside)} of {count(prediction.judged, 'next mean')} lay in their "
        f"{promised}band: {percent}, 95 % interval {interval}"
    )
    return f"{lay}{_judgement(prediction)}.{far}"


def _judgement(prediction: Prediction) -> str:
    """Say whether the share inside bears out what was promised."""
    if prediction.level is None or prediction.judged < _FEWEST_JUDGED:
        return ", too few to say more"
    if prediction.high < prediction.level:
        return "; fewer than promised, so take the bands of this review as too narrow"
    if prediction.low > prediction.level:
        return "; more than promised, so the bands are on the cautious side"
    return "; in line with what was promised"


def calls_in_words(prediction: Prediction) -> str:
    """Say what the next visits found of the meters, by their standing then."""
    if not prediction.calls:
        return "No meter has been seen since."
    found = sum(call.found_out for call in prediction.calls)
    by_standing = [
        f"{whole(call.found_out)} of {whole(call.seen)} {call.standing}"
        for call in prediction.calls
    ]
    expected = fixed(prediction.expected, places=1)
    scatter = fixed(prediction.expected_sd, places=1)
    return (
        f"Found out of tolerance at the next visit, by standing then: {listed(by_standing)}. "
        f"P(out) as given then adds up to {expected} ± {scatter} (one standard deviation); "
        f"{whole(found)} found out, {_expectation(prediction)}."
    )


def _expectation(prediction: Prediction) -> str:
    """Say whether the number found out bears out the P(out) given."""
    if prediction.as_many < _UNLIKELY:
        chance = probability(prediction.as_many)
        return f"more than it led to expect (chance of as many: {chance})"
    if prediction.as_few < _UNLIKELY:
        chance = probability(prediction.as_few)
        return f"fewer than it led to expect (chance of as few: {chance})"
    return "in line with it"
