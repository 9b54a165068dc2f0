"""Charts as specifications: valid, over the data that they declare, of the theme's hues alone."""

import json
import math
import re
import struct
from datetime import date
from itertools import pairwise
from pathlib import Path

import altair as alt
import polars as pl
import pytest

from drift.errors import DriftError
from drift.folders import report
from drift.report.figure_files import draw
from drift.report.figures.assets import figures_script, library_script, write_assets
from drift.report.figures.registry import FIGURES
from drift.report.figures.rows import figure_rows, filled, listed_rows, unpacked
from drift.report.figures.studies import band_rows, drift_rows
from drift.report.figures.theme import chart_config, hue, with_variables
from tests.report.figures.outlines import KEPT, Spec, fields, marks, outline

BANDS = pl.DataFrame(
    {
        "mean_p": [0.02, 0.4],
        "share": [0.01, 0.5],
        "share_low": [0.0, 0.1],
        "share_high": [0.05, 0.9],
        "forecasts": [200, 4],
    }
)
DRIFTS = pl.DataFrame(
    {
        "monitor": ["ewma", "ewma", "tolerance_check", "tolerance_check"],
        "drift_pct_per_year": [0.02, 0.08, 0.02, 0.08],
        "mean_bias_pct": [0.05, 0.09, 0.07, 0.1],
        "mean_years": [2.5, 1.1, 3.6, 1.2],
        "chance_within_tolerance": [0.9, 0.6, 0.8, 0.4],
    }
)
# Two greys nearer than this are not told apart for sure on paper (common practice, no source).
_ALIKE = 15
THEME = json.loads(report("theme.json"))


def no_rows(name: str) -> dict[str, pl.DataFrame]:
    """Return frames without a row for a figure."""
    return {
        data_set: pl.DataFrame(schema=dict.fromkeys(columns, pl.Float64))
        for data_set, columns in FIGURES[name].data.items()
    }


@pytest.mark.parametrize("name", FIGURES)
def test_a_chart_is_valid_and_draws_only_declared_columns(name: str) -> None:
    """By Altair's schema; each field of a mark is a column of its data set, or made in the view."""
    figure = FIGURES[name]
    spec = figure.build().to_dict()
    assert spec["$schema"] == alt.SCHEMA_URL
    # What a view without rows of its own is drawn over.
    assert spec.get("datasets", {}) in ({}, {"empty": [{}]})
    for data, view in marks(spec):
        made = {
            name
            for step in view.get("transform", ())
            for name in ([step["as"]] if isinstance(step.get("as"), str) else step.get("as", ()))
        }
        assert set(fields(view)) <= set(figure.data.get(data, ())) | made, (name, view["mark"])


@pytest.mark.parametrize("name", FIGURES)
def test_an_outline_is_the_one_kept(name: str) -> None:
    """Marks, data and channels change only with the file that `outlines.py` writes."""
    kept = KEPT.read_text(encoding="utf-8").splitlines()
    assert outline(name) == [line for line in kept if line.startswith(f"{name}: ")]


@pytest.mark.parametrize("name", FIGURES)
def test_every_hue_is_a_role(name: str) -> None:
    """A page can exchange each for a variable of its style sheet, so that none is left."""
    spec = FIGURES[name].build().to_dict()
    spec.pop("config")
    assert set(re.findall(r"#[0-9a-f]{6}", json.dumps(spec))) <= set(THEME["light"].values())
    assert not re.search(r"#[0-9a-f]{6}", json.dumps(with_variables(spec)))


def luminance(shade: str) -> float:
    """Return the relative luminance of a hue by WCAG 2.2's formula."""
    parts = [int(shade[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def lightness(shade: str) -> float:
    """Return how light a hue is in greys, 0 to 100: L* of CIE 1976."""
    share = luminance(shade)
    return 116 * float(share ** (1 / 3)) - 16 if share > (6 / 29) ** 3 else share * (29 / 3) ** 3


def test_light_hues_differ_and_are_legible() -> None:
    """Marks have a contrast of 3, words of 4.5, on paper and on a strip, by WCAG 2.2's formula."""

    def contrast(one: str, other: str) -> float:
        low, high = sorted((luminance(one), luminance(other)))
        return (high + 0.05) / (low + 0.05)

    assert len(set(THEME["light"].values())) == len(THEME["light"])
    for hues in (THEME["light"], THEME["dark"]):
        for ground in (hues["paper"], hues["strip"]):
            assert min(contrast(hues[role], ground) for role in ("stop", "look", "calm")) >= 4.5
            assert min(contrast(hues[role], ground) for role in ("ink", "quiet")) >= 4.5
            assert contrast(hues["edge"], ground) >= 3


def _says_more_than_hue(view: Spec) -> bool:
    """Say whether marks differ in shape, dash, width, size or words from row to row."""
    channels = view["encoding"]
    varying = [
        json.dumps(channels[name])
        for name in ("shape", "strokeDash", "strokeWidth", "size")
        if name in channels
    ]
    varies = any(part in told for told in varying for part in ("condition", "field", "expr"))
    return varies or "text" in channels


@pytest.mark.parametrize("name", FIGURES)
def test_what_differs_in_meaning_differs_without_colour(name: str) -> None:
    """Where rows have hues that are alike in grey, a mark of the same rows differs otherwise."""
    views = list(marks(FIGURES[name].build().to_dict()))
    told = {data for data, view in views if _says_more_than_hue(view)}
    for data, view in views:
        channels = {key: view["encoding"].get(key) for key in ("color", "fill", "stroke")}
        greys = sorted(
            lightness(shade) for shade in set(re.findall(r"#[0-9a-f]{6}", json.dumps(channels)))
        )
        alike = any(lighter - darker < _ALIKE for darker, lighter in pairwise(greys))
        assert not alike or data in told, (name, data, view["mark"])


def test_rows_are_plain_and_cannot_end_their_script() -> None:
    """Days carry midnight, what is not finite is null, markup is escaped; no more columns."""
    frames = no_rows("doubtful_span") | {
        "drops": pl.DataFrame({"on": [date(2026, 3, 1)], "more": ["secret"]}),
        "tests": pl.DataFrame(
            {
                "on": [date(2026, 3, 1)],
                "test": ["</script><b>"],
                "air": [float("nan")],
                "verdict": [float("inf")],
                "wrong": [1 / 3],
                "doubtful": [True],
                "remarks": [None],
            }
        ),
    }
    text = figure_rows("doubtful_span", frames)
    assert "<" not in text
    assert "secret" not in text
    found = json.loads(text)["data"]
    assert found["drops"] == {"on": ["2026-03-01T00:00:00"]}
    assert found["tests"]["test"] == ["</script><b>"]
    assert (found["tests"]["air"], found["tests"]["verdict"]) == ([None], [None])
    assert found["tests"]["wrong"] == [pytest.approx(1 / 3, abs=1e-6)]


def test_rows_of_a_meter_are_packed_without_loss() -> None:
    """Days, a day not known, runs and what repeats come back; numbers to five decimals."""
    days = [date(2024, 2, 28), None, date(2024, 3, 1), date(2024, 3, 1), date(2023, 12, 31)]
    found = [place / 3 if place % 7 else math.inf for place in range(40)]
    rows = [
        {
            "on": days[place % 5],
            "found": found[place],
            "outside": place > 20,
            "words": "ab"[place % 2],
        }
        for place in range(40)
    ]
    packed = json.loads(listed_rows("meter_checks", {"days": rows, "slow": []}))["data"]
    lists = [name for name, column in packed["days"].items() if isinstance(column, list)]
    assert lists == ["found"]
    back = unpacked(packed["days"])
    assert back["on"] == [on and on.isoformat() for on in days * 8]
    assert back["outside"] == [row["outside"] for row in rows]
    assert back["words"] == [row["words"] for row in rows]
    known = [None if math.isinf(value) else pytest.approx(value, abs=5e-6) for value in found]
    assert back["found"] == known
    assert all(columns == [] for columns in unpacked(packed["slow"]).values())


def test_a_filled_chart_stands_by_itself() -> None:
    """It has its rows and hues, is valid as a whole, and leaves the theme in force alone."""
    before = alt.theme.active
    chart = filled("borne_out", band_rows(BANDS))
    spec = chart.to_dict()
    assert [row["enough"] for row in spec["datasets"]["bands"]] == [True, False]
    assert spec["config"]["background"] == hue("paper")
    assert alt.theme.active == before
    assert {"drift", "drift_dark"} <= set(alt.theme.names())
    assert chart_config(dark=True)["text"]["color"] == THEME["dark"]["quiet"]


def test_panels_without_rows_are_left_out() -> None:
    """A column of views keeps the panels that have a row, and those that are no panels."""
    panels = {
        "panel": [0, 2],
        "point": ["0 %", "10 %"],
        "upper": [1, 1],
        "lower": [-1, -1],
        "end_at": [0, 1],
    }
    frames = no_rows("doubtful_span") | {"panels": pl.DataFrame(panels)}
    views = filled("doubtful_span", frames).to_dict()["vconcat"]
    assert [one.get("name") for one in views] == ["panel_0", "panel_2", None]


def test_labels_of_lines_do_not_cover_each_other() -> None:
    """Ends a hair apart are labelled at least a line of text apart; the earliest is told."""
    near = DRIFTS.with_columns(mean_bias_pct=pl.Series([0.05, 0.1, 0.07, 0.1001]))
    rows = drift_rows(near, tolerance_pct=0.1)["drifts"]
    labels = rows.drop_nulls("label_at").sort("label_at")["label_at"].to_list()
    assert len(labels) == 2
    assert labels[1] - labels[0] > 0.004
    assert rows.filter(pl.col("first"))["monitor"].unique().to_list() == ["EWMA"]


def test_scripts_are_the_same_each_time_and_light(tmp_path: Path) -> None:
    """Assets weigh under 1.1 MB, 150 kB without the library; no script ends its element."""
    for folder in ("one", "two"):
        names = write_assets(tmp_path / folder)
    scripts = ["vega.js", "figures.js", "page.js"]
    sheets = ["page.css", "dossier.css", "evidence.css", "fleet.css"]
    assert sorted(names) == sorted(f"assets/{name}" for name in (*scripts, *sheets))
    for name in names:
        one, two = ((tmp_path / folder / name).read_bytes() for folder in ("one", "two"))
        assert one == two
    weights = {name: (tmp_path / "one" / name).stat().st_size for name in names}
    assert sum(weights.values()) < 1_100_000
    assert sum(weights.values()) - weights["assets/vega.js"] < 150_000
    assert "</script" not in library_script() + figures_script()
    assert "https://" not in figures_script()


@pytest.mark.parametrize("suffix", ["svg", "png"])
def test_a_figure_is_written_as_its_name_says(tmp_path: Path, suffix: str) -> None:
    """SVG or PNG, over an earlier one of drift's, not over one that was changed since."""
    file = tmp_path / f"figure.{suffix}"
    draw(file, filled("noticed_drifts", drift_rows(DRIFTS, tolerance_pct=0.1)))
    first = file.read_bytes()
    draw(file, filled("borne_out", band_rows(BANDS)))
    assert file.read_bytes() != first
    if suffix == "png":
        # The eight bytes after the head of a PNG's first part are its width and height.
        assert first[1:4] == b"PNG"
        assert min(struct.unpack(">II", first[16:24])) > 400
    else:
        assert file.read_text(encoding="utf-8").startswith("<svg")
    file.write_bytes(file.read_bytes().replace(b"drift, sha256 ", b"drift, sha256 0", 1))
    with pytest.raises(DriftError, match="does not stand as drift wrote it"):
        draw(file, filled("borne_out", band_rows(BANDS)))
