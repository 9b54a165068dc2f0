"""The plain script that a colleague would write, as a yardstick; it shares no code with drift.

``python tests/benchmarks/peer_script.py FOLDER OUT.csv``

It reads readings.csv with pandas, groups the replicates, walks from as left to as found, and then
loops over the meters and points: limits of an individuals chart, a least-squares line, Kendall's
tau and the Theil-Sen line.  No checks of the input, no adjustments from other tables, no pages.
"""

import sys
import time
from pathlib import Path

import pandas as pd
import statsmodels.api as sm
from scipy.stats import kendalltau, theilslopes


def main() -> None:
    """Analyse the folder given and say how long the parts took."""
    folder, out = Path(sys.argv[1]), Path(sys.argv[2])
    start = time.perf_counter()
    readings = pd.read_csv(folder / "readings.csv", parse_dates=["performed_on"])
    readings["bias"] = readings["reading_air_pct"] - readings["correct_air_pct"]
    readings["point"] = readings["correct_air_pct"].round()
    visits = readings.pivot_table(
        index=["meter_id", "point", "performed_on"], columns="stage", values="bias"
    ).reset_index()
    if "as_left" not in visits:
        visits["as_left"] = float("nan")
    visits["left"] = visits["as_left"].fillna(visits["as_found"])
    grouped = time.perf_counter()

    results = []
    for (meter, point), one in visits.groupby(["meter_id", "point"]):
        found = one["as_found"]
        steps = found - one["left"].shift()
        steps.iloc[0] = found.iloc[0]
        path = steps.cumsum()
        years = (one["performed_on"] - one["performed_on"].iloc[0]).dt.days / 365.25
        moving_range = found.diff().abs().mean()
        line = sm.OLS(path, sm.add_constant(years)).fit()
        low, high = line.conf_int().iloc[1]
        tau = kendalltau(years, path)
        sen = theilslopes(path, years)
        results.append(
            {
                "meter_id": meter,
                "point": point,
                "centre": found.mean(),
                "lower": found.mean() - 2.66 * moving_range,
                "upper": found.mean() + 2.66 * moving_range,
                "slope": line.params.iloc[1],
                "slope_low": low,
                "slope_high": high,
                "p": line.pvalues.iloc[1],
                "kendall_p": tau.pvalue,
                "sen_slope": sen.slope,
                "sen_low": sen.low_slope,
                "sen_high": sen.high_slope,
            }
        )
    pd.DataFrame(results).to_csv(out, index=False)
    done = time.perf_counter()
    print(f"read and group {grouped - start:.2f} s, loop {done - grouped:.2f} s")


if __name__ == "__main__":
    main()
