"""This module tells charts in a line a mark, to compare; as a script it writes them anew."""

from collections import Counter
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from drift.report.figures.registry import FIGURES

KEPT = Path(__file__).with_name("outlines.txt")
Spec = Mapping[str, Any]


def marks(spec: Spec, data: str = "") -> Iterator[tuple[str, Spec]]:
    """Give the name of its data and the specification of every view with a mark."""
    mine = spec.get("data", {}).get("name", data)
    for part in (*spec.get("layer", ()), *spec.get("vconcat", ())):
        yield from marks(part, mine)
    if "mark" in spec:
        yield mine, spec


def fields(spec: Spec) -> Iterator[str]:
    """Give the columns that the channels of a view are drawn from."""
    for channel in spec.get("encoding", {}).values():
        for one in channel if isinstance(channel, list) else [channel]:
            if "field" in one:
                yield one["field"]


def outline(name: str) -> list[str]:
    """Return a line a mark: its kind, its data and its channels; panels alike are told once."""
    spec = FIGURES[name].build().to_dict()
    told = [
        f"{name}: {one['mark']['type']} over {data} by {' '.join(sorted(one['encoding']))}"
        for data, one in marks(spec)
    ]
    return [f"{line} ({many} times)" for line, many in Counter(told).items()]


if __name__ == "__main__":
    KEPT.write_text("\n".join(line for name in FIGURES for line in outline(name)) + "\n", "utf-8")
