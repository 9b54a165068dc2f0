"""What the fabricated review says of zero and span: every finding once, hostile ids among them."""

from datetime import date, timedelta

from drift.review.zero_spans import (
    CANNOT_SAY,
    MOVES,
    NOT_SHOWN,
    ONE_POINT,
    TOO_FEW,
    ZERO_SPAN_DRIFTS,
    ZERO_SPAN_VISITS,
    ZeroSpan,
)
from tests.fabricated_history import filled_frame
from tests.fabricated_ids import DRIFTER, FIRST, IMAGE, NEWCOMER, SCRIPT

_FINDINGS = {
    (DRIFTER, "zero"): MOVES,
    (DRIFTER, "span"): NOT_SHOWN,
    (SCRIPT, "zero"): NOT_SHOWN,
    (SCRIPT, "span"): CANNOT_SAY,
    (NEWCOMER, "zero"): TOO_FEW,
    (NEWCOMER, "span"): TOO_FEW,
    (IMAGE, "zero"): CANNOT_SAY,
    (IMAGE, "span"): CANNOT_SAY,
}


def fabricate_zero_span() -> ZeroSpan:
    """Return zero and span of some meters."""
    drifts: list[dict[str, object]] = []
    visits: list[dict[str, object]] = []
    for (meter_id, part), finding in _FINDINGS.items():
        many = {CANNOT_SAY: 0, TOO_FEW: 1}.get(finding, 10)
        row: dict[str, object] = {
            "meter_id": meter_id,
            "part": part,
            "visits": many,
            "finding": finding,
            "why": ONE_POINT if finding == CANNOT_SAY else None,
        }
        if finding in (MOVES, NOT_SHOWN):
            row |= {"drift": 0.05 if finding == MOVES else None, "drift_p": 0.001}
            row |= {"drift_low": 0.02, "drift_high": 0.08}
        if finding == MOVES:
            row["beyond_since"] = date(2024, 3, 1)
        drifts.append(row)
        visits += [_visit(meter_id, part, number, finding) for number in range(many)]
    return ZeroSpan(
        visits=filled_frame(visits, ZERO_SPAN_VISITS),
        drifts=filled_frame(drifts, ZERO_SPAN_DRIFTS),
    )


def _visit(meter_id: str, part: str, number: int, finding: str) -> dict[str, object]:
    """Return one visit; a drift goes beyond its limits."""
    value = 0.02 * number if finding == MOVES else 0.01
    limits = {"centre": 0.0, "lower": -0.1, "upper": 0.1} if finding == MOVES else {}
    return {
        "meter_id": meter_id,
        "part": part,
        "visit_id": f"{number + 1}",
        "performed_on": FIRST + timedelta(days=120 * number),
        "points": 3,
        "found_pct": value / 2,
        "se_pct": 0.015,
        "law_se_pct": 0.001,
        "left_pct": value / 2,
        "path_pct": value,
        "beyond": finding == MOVES and value > 0.1,
        **limits,
    }
