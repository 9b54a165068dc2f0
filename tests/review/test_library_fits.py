"""A review's plain fits are the library's, and are loaded and paid for only where they are told."""

import subprocess
import sys
from collections import Counter
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from statsmodels.regression.linear_model import GLS, OLS
from statsmodels.robust.robust_linear_model import RLM
from statsmodels.stats import multitest, proportion

from drift import format as text
from drift.api import at_work
from drift.api.reviews import review_source
from drift.report import page_files
from drift.review import loading
from drift.review.policy import Policy

AS_OF = date(2026, 10, 1)
QUARTERS = 16


@pytest.fixture(scope="module")
def shared_analyses() -> None:
    """Share nothing: calls of the library are counted."""


def _folder(folder: Path, *, meters: int = 3) -> Path:
    """Return a folder of readings of meters that drift and scatter, each at 5 %."""
    rng = np.random.default_rng(11)
    rows = ["meter_id,performed_on,stage,correct_air_pct,reading_air_pct,resolution_pct"]
    for meter in range(meters):
        for visit in range(QUARTERS):
            on = f"{2022 + visit // 4}-{1 + 3 * (visit % 4):02}-15"
            bias = 0.004 * visit * meter + rng.normal(0, 0.03)
            rows.append(f"M{meter},{on},as_found,5.0,{5 + bias:.2f},0.01")
    folder.mkdir()
    (folder / "readings.csv").write_text("\n".join([*rows, ""]), encoding="utf-8")
    return folder


def _counted(monkeypatch: pytest.MonkeyPatch) -> Counter[str]:
    """Return how often the library's fits and tests are called from now on."""
    called: Counter[str] = Counter()

    def watch(owner: Any, name: str) -> None:
        real = vars(owner)[name]

        def watched(*given: Any, **named: Any) -> Any:
            called[f"{owner.__name__.rpartition('.')[2]}.{name}"] += 1
            return real(*given, **named)

        monkeypatch.setattr(owner, name, watched)

    for owner in (OLS, GLS, RLM):
        watch(owner, "fit" if "fit" in vars(owner) else "__init__")
    watch(multitest, "multipletests")
    watch(proportion, "proportion_confint")
    return called


def _reviewed(source: Path, out: Path, *, with_pages: bool, with_trends: bool = False) -> Path:
    written = review_source(
        source,
        out=out,
        as_of=AS_OF,
        policy=Policy(),
        with_pages=with_pages,
        progress=lambda _done, _of: None,
        with_trends=with_trends,
    )
    return written.data.parent


def test_a_dossier_prints_the_librarys_numbers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Pages call OLS, GLS and RLM for each meter, and print what OLS gives when called here."""
    monkeypatch.setattr(at_work, "cores", lambda: 1)
    called = _counted(monkeypatch)
    out = _reviewed(_folder(tmp_path / "in"), tmp_path / "out", with_pages=True, with_trends=True)
    # Once a meter, for the data file and the dossiers alike; RLM fits by least squares in its turn.
    assert called["OLS.__init__"] >= 3
    assert called["GLS.__init__"] >= 3
    assert called["RLM.fit"] == 3
    assert called["multitest.multipletests"] > 0
    assert called["proportion.proportion_confint"] > 0
    visits = pl.read_csv(out / "data" / "visits.csv", try_parse_dates=True)
    told = pl.read_csv(out / "data" / "trends.csv").sort("meter_id")
    for meter in ("M1", "M2"):
        mine = visits.filter(pl.col("meter_id") == meter).sort("performed_on")
        days = (mine["performed_on"] - date(2000, 1, 1)).dt.total_days().to_numpy()
        design = np.stack([np.ones(QUARTERS), days / 365.25], axis=1)
        fit = OLS(mine["unadjusted_path_pct"].to_numpy(), design).fit(
            cov_type="HAC", cov_kwds={"maxlags": 2, "use_correction": True}, use_t=True
        )
        low, high = fit.conf_int()[1]
        row = told.filter(pl.col("meter_id") == meter).row(0, named=True)
        assert row["slope"] == pytest.approx(fit.params[1], rel=1e-4)
        assert (row["slope_low"], row["slope_high"]) == pytest.approx((low, high), rel=1e-4)
        page = (out / "meters" / f"{meter}.html").read_text(encoding="utf-8")
        table = page[page.index("Trend by point") : page.index("Forecast by point")]
        shown = (text.bias(fit.params[1]), f"{text.bias(low)} to {text.bias(high)}")
        for number in (*shown, text.p_value(fit.pvalues[1]), text.bias(row["robust_slope"])):
            assert number in table
        assert f"Ljung–Box p {text.p_value(row['resemblance_p'])}" in table


def test_dossiers_are_the_same_wherever_their_trends_are_fitted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of few meters all are fitted at once, of many one with each dossier: the same pages."""
    monkeypatch.setattr(at_work, "cores", lambda: 1)
    source = _folder(tmp_path / "in")
    at_once = _reviewed(source, tmp_path / "once", with_pages=True)
    monkeypatch.setattr(loading, "_FITTED_HERE", 0)
    called = _counted(monkeypatch)
    one_by_one = _reviewed(source, tmp_path / "each", with_pages=True)
    assert called["RLM.fit"] == 3
    for meter in ("M0", "M1", "M2"):
        page = Path("meters") / f"{meter}.html"
        assert (at_once / page).read_bytes() == (one_by_one / page).read_bytes()


def test_processes_beside_a_small_fleet_do_without_the_library(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A process that writes dossiers of few meters never loads it, which would take a second.

    Frames are on one thread there.
    """
    monkeypatch.setattr(at_work, "cores", lambda: 2)
    monkeypatch.setattr(at_work, "_WORTH_A_PROCESS", 1_000)
    real = page_files.write_pages
    loaded: list[set[str]] = []
    threads: list[int] = []

    def written(*given: Any, beside: page_files.Helpers, **named: Any) -> list[str]:
        pages = real(*given, beside=beside, **named)
        for pool in beside:
            loaded.append(set(pool.submit(eval, "[*__import__('sys').modules]").result()))
            threads.append(pool.submit(pl.thread_pool_size).result())
        return pages

    monkeypatch.setattr(page_files, "write_pages", written)
    _reviewed(_folder(tmp_path / "in", meters=8), tmp_path / "out", with_pages=True)
    (modules,) = loaded
    assert "drift.report.pages.dossier" in modules
    assert not {"statsmodels", "pandas"} & modules
    assert threads == [1]


def test_data_alone_fits_no_plain_trend(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without pages and without --trends nothing is fitted meter by meter, and no file is left."""
    called = _counted(monkeypatch)
    out = _reviewed(_folder(tmp_path / "in"), tmp_path / "out", with_pages=False)
    assert called["OLS.__init__"] == called["GLS.__init__"] == called["RLM.fit"] == 0
    assert not (out / "data" / "trends.csv").exists()


def test_help_intake_and_check_do_without_the_library(tmp_path: Path) -> None:
    """With statsmodels forbidden these commands do their work."""
    source, new = _folder(tmp_path / "in"), tmp_path / "new.csv"
    new.write_text(
        "meter_id,performed_on,stage,correct_air_pct,reading_air_pct,resolution_pct\n"
        "M1,2026-09-15,as_found,5.0,5.03,0.01\n",
        encoding="utf-8",
    )
    forbidden = "import sys; sys.modules['statsmodels'] = None; from drift.cli import main; main()"
    for command in (
        ["--help"],
        ["intake", str(source), "--store", str(tmp_path / "s.duckdb")],
        ["check", str(source), str(new)],
    ):
        ran = subprocess.run(
            [sys.executable, "-c", forbidden, *command], capture_output=True, text=True, check=False
        )
        assert ran.returncode == 0, ran.stderr
