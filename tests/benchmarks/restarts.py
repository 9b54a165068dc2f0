"""Print what adjustments do to false alarms: `python -m tests.benchmarks.restarts`.

Meters that nothing but their adjustments moves, σ 0.03 % air, one reading a visit, 24 visits: rates
of points outside in units of the nominal one (0.27 %), counted over 900 meters a row, and the mean
half-width of the limits of the individuals chart in σ.
"""

import numpy as np
import polars as pl

from drift.limits.charting import draw_family
from drift.limits.choices import ChartSettings
from tests.limits.chart_fleets import NOMINAL, adjusted_fleet

CHARTS = ("individuals", "moving_range", "ewma")
SIGMA = 0.03


def rates(*, step: float, every: int, moves: float, repeats: int = 3) -> tuple[list[float], float]:
    """Return the rate of each chart and the half-width of the limits."""
    found, widths = [], []
    for seed in range(repeats):
        points = adjusted_fleet(np.random.default_rng(seed), every=every, moves=moves, step=step)
        drawn = draw_family(points, settings=ChartSettings(), charts=CHARTS).points
        shown = drawn.filter(pl.col("upper").is_not_null()).with_columns(
            out=(pl.col("value") > pl.col("upper"))
            | (pl.col("value") < pl.col("lower")).fill_null(value=False)
        )
        by_chart = dict(shown.group_by("chart").agg(pl.col("out").mean()).iter_rows())
        found.append([by_chart[name] / NOMINAL for name in CHARTS])
        one = shown.filter(pl.col("chart") == "individuals")
        widths.append(float(((one["upper"] - one["lower"]) / 2).to_numpy().mean()) / SIGMA)
    return np.mean(found, axis=0).tolist(), float(np.mean(widths))


def main() -> None:
    """Print the table."""
    print("step   visits  levels move |  individuals  moving range  EWMA | half-width")
    for step in (0.001, 0.05, 0.1):
        for every in (2, 5, 10):
            for moves in (0.0, 1.0, 3.0):
                (single, moving, average), width = rates(step=step, every=every, moves=moves)
                print(
                    f"{step:5g} {every:7d} {moves:9g} s | {single:12.2f} {moving:13.2f} "
                    f"{average:6.2f} | {width:6.2f} s"
                )


if __name__ == "__main__":
    main()
