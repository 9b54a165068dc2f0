"""This module words what a dot of a figure says to who points at it; it draws nothing.

The parts of a saying are parted by `SEP`; a page shows each on a line of its own.
"""

from typing import Any

from drift import format as text

SEP = " · "
_LONGEST = 200

Row = dict[str, Any]


def visit(row: Row, *, stage: str = "as_found") -> str:
    """Return what was read at one visit and point, by whom, with what, and the remarks.

    Parameters
    ----------
    row : dict
        A row of the ledger.
    stage : {"as_found", "as_left"}
        Which of the two sittings.
    """
    bias = row[f"{stage}_bias_pct"]
    parts = [
        f"{text.day(row['performed_on'])}, {text.point(row['point_pct'])} point",
        f"{text.words_of(stage)} {text.bias_with_unit(bias)}{_read(row, stage)}",
        *_who(row),
    ]
    return SEP.join(parts)


def value(row: Row, what: str) -> str:
    """Return what one visit adds to a figure of something worked out, `what` in words."""
    found = row["as_found_bias_pct"]
    parts = [
        f"{text.day(row['performed_on'])}, {text.point(row['point_pct'])} point",
        what,
        f"as found {text.bias_with_unit(found)}{_read(row, 'as_found')}",
        *_who(row),
    ]
    return SEP.join(parts)


def ahead(row: Row) -> str:
    """Return what is expected of the next visit."""
    band = text.interval(row["next_mean_low"], row["next_mean_high"])
    return SEP.join(
        [
            f"{text.day(row['on'])}, next due",
            f"true bias expected {text.bias_with_unit(row['at_due'])}",
            f"as-found mean expected within {band}",
        ]
    )


def noted(words: str | None) -> str:
    """Return a remark no longer than a label bears."""
    return text.shortened(" ".join((words or "").split()), longest=_LONGEST)


def _read(row: Row, stage: str) -> str:
    """Return the replicates as they were read, with what was correct; empty where not known."""
    correct, biases = row["correct_air_pct"], row[f"{stage}_biases_pct"]
    if correct is None or not biases:
        return ""
    read = text.listed([text.plain(correct + bias) for bias in biases])
    return f", read {read} where {text.plain(correct)} is correct"


def _who(row: Row) -> list[str]:
    """Return operator, vessel, work and remarks, those that are known."""
    told = [
        noted(row["operator"]),
        f"vessel {noted(row['vessel_id'])}" if row["vessel_id"] else "",
        noted(row["events"]),
        noted(row["remarks"]),
    ]
    return [part for part in told if part]
