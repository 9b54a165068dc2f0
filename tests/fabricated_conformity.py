"""This module makes up verdicts and budgets for the fabricated review; it computes nothing."""

from typing import Any

import polars as pl

from drift.conformity.bias_budget import UNCERTAINTY
from drift.conformity.global_risk import FLEET_RISKS
from drift.conformity.weigh import CONFORMITY, Conformity
from drift.frames import Schema
from drift.reference.repeatability import REPEATABILITY

Rows = list[dict[str, Any]]


def fabricate_conformity(ledger: pl.DataFrame, *, hostile: str) -> Conformity:
    """Return a verdict for each bias of a ledger and a budget for each last one.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`.
    hostile : str
        Text that stands where a vessel's name would.
    """
    verdicts: Rows = []
    for row in ledger.iter_rows(named=True):
        for stage in ("as_found", "as_left"):
            bias = row[f"{stage}_bias_pct"]
            if bias is None:
                continue
            inside = abs(bias) <= 0.1
            verdicts.append(
                {name: row[name] for name in ("meter_id", "visit_id", "performed_on", "point_pct")}
                | {"stage": stage, "bias_pct": bias, "u_pct": 0.02, "expanded_u_pct": 0.04}
                | {"limit_pct": 0.1, "verdict": "pass" if inside else "fail"}
                | {"p_conform": 0.97 if inside else 0.2}
                | {"two_successive": row["visit"] != 4 if stage == "as_left" else None}
            )
    last = ledger.filter(pl.col("visit") == pl.col("visit").max().over("series"))
    risk = {"meters": 9, "checks": 80, "u_pct": 0.02, "limit_pct": 0.1}
    known = {"mean_pct": 0.01, "sd_pct": 0.04, "false_accept": 0.004, "false_reject": 0.012}
    known |= {"false_accept_low": 0.001, "false_accept_high": 0.02}
    return Conformity(
        verdicts=_frame(verdicts, CONFORMITY),
        budgets=_frame(_budgets(last, hostile), UNCERTAINTY),
        risks=_frame([{"point_pct": 0.0} | risk, {"point_pct": 5.0} | risk | known], FLEET_RISKS),
        repeatability=pl.DataFrame(schema=REPEATABILITY),
    )


def _budgets(last: pl.DataFrame, hostile: str) -> Rows:
    rows: Rows = []
    for row in last.iter_rows(named=True):
        key = {"meter_id": row["meter_id"], "visit_on": row["performed_on"]}
        key |= {"point_pct": row["point_pct"]}
        for stage in ("as_found", "step"):
            rows += [
                key
                | {"stage": stage, "component": "reference", "value": 0.02, "share": 1.0}
                | {"distribution": "normal", "standard_u_pct": 0.02, "sensitivity": 1.0}
                | {"contribution_pct": 0.02, "basis": f"vessel {hostile}"},
                key
                | {"stage": stage, "component": "combined", "standard_u_pct": 0.02, "share": 1.0}
                | {"contribution_pct": 0.02, "degrees_of_freedom": 31.5, "coverage_factor": 2.08}
                | {"expanded_u_pct": 0.0416},
            ]
    return rows


def _frame(rows: Rows, schema: Schema) -> pl.DataFrame:
    return pl.DataFrame([{name: row.get(name) for name in schema} for row in rows], schema=schema)
