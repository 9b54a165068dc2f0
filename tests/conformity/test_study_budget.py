"""Budgets take their scatter from the study that a policy names, and say so."""

from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from drift.api.sources import read_known
from drift.review.analyse import analyse
from drift.review.policy import Policy
from tests.csv_folders import readings, write


def test_a_budget_takes_what_the_named_study_found(tmp_path: Path) -> None:
    """Two operators 0.1 % air apart: the operator's part grows, and its basis is told."""
    chance = np.random.default_rng(1)
    columns = "study_id,operator,meter_id,performed_on,correct_air_pct,reading_air_pct"
    rows = [f"{columns},replicate,resolution_pct"]
    for who in range(2):
        for meter in range(4):
            for replicate in (1, 2):
                read = 5 + 0.1 * who + round(chance.normal(0, 0.02), 2)
                rows.append(f"S,{who},A{meter},2026-01-05,5.0,{read:.2f},{replicate},0.01")
    seen = [
        f"A{meter},2025-0{month}-01,as_found,5.0,5.0{meter}"
        for meter in range(4)
        for month in range(1, 7)
    ]
    source = write(tmp_path / "in", studies="\n".join([*rows, ""]), readings=readings(*seen))
    as_of = date(2026, 2, 1)
    budgets = {}
    for name in ("", "S", "not on record"):
        policy = Policy(scatter_study=name)
        sources = read_known(source, as_of=as_of, policy=policy)
        found = analyse(sources, source_name="in", as_of=as_of, policy=policy)
        table = found.conformity.budgets.filter(pl.col("meter_id") == "A0", stage="as_found")
        budgets[name] = {row["component"]: row for row in table.iter_rows(named=True)}
    taken = budgets["S"]
    assert taken["operator"]["standard_u_pct"] == pytest.approx(0.07, abs=0.02)
    assert taken["operator"]["basis"] == "study S"
    assert taken["operator"]["degrees_of_freedom"] == pytest.approx(1, abs=0.2)
    assert "study" in taken["repeatability"]["basis"]
    assert budgets[""] == budgets["not on record"]
    assert "study" not in budgets[""]["repeatability"]["basis"]
