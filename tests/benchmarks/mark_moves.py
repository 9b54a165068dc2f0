"""Print what one advised move of the mark does: `python -m tests.benchmarks.mark_moves`.

1,000 benches a row whose zero was read out twice: reading noise 0.02, dial read to 0.05, mark up to
0.5 % wrong; beside them the tries that fixed steps on the dial take.
"""

import numpy as np

from tests.meter.mark_benches import Bench, tries_by_steps, try_advice

BENCHES = 1000


def by_steps(benches: list[Bench], step: float) -> str:
    """Word how many tries fixed steps take."""
    rng = np.random.default_rng(7)
    tries = np.array([tries_by_steps(rng, bench, step) for bench in benches])
    done = tries[tries > 0]
    never = float((tries == 0).mean())
    mean = f"{done.mean():.1f}" if done.size else "-"
    return f"{float((tries == 1).mean()):6.1%} {mean:>6} {never:7.1%}"


def main() -> None:
    """Print the tables."""
    print("unit      chamber  | zero within 0.1 after one move | read within | worst | covered")
    for unit in ("dial_pct", "kpa"):
        for known in (True, False):
            trial, benches = try_advice(benches=BENCHES, unit=unit, known=known, seed=20)
            print(
                f"{unit:9} {'2 %' if known else 'unknown':8} | {trial.truly:30.1%} | "
                f"{trial.as_read:11.1%} | {trial.worst:5.3f} | {trial.covered:7.1%}"
            )
            if unit == "dial_pct":
                for step in (0.5, 0.1, 0.05):
                    told = by_steps(benches, step)
                    print(f"  fixed steps of {step:4g} %: first try, mean tries, never: {told}")


if __name__ == "__main__":
    main()
