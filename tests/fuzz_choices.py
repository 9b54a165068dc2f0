"""This module makes policy and mapping files that are wrong in many ways; it asserts nothing."""

import random
from dataclasses import dataclass

from drift.review.policy_checks import BOUNDS

# None of them is a number that can be meant.
NO_NUMBERS = (
    '"x"',
    "true",
    "[1]",
    "[]",
    "{a = 1}",
    "2024-01-01",
    "nan",
    "-inf",
    "1e999",
    "9" * 400,
)
MAPPINGS = (
    "[dates]\nformat = 5\n",
    "[dates]\nformat = 1979-05-27\n",
    "[dates]\nfrom = '%d/%m/%Y'\n",
    "[dates]\n",
    "dates = '%d/%m/%Y'\n",
    "[columns]\n'Meter no.' = 5\n",
    "[columns]\n'Meter no.' = ['meter_id']\n",
    "[columns]\n'Meter no.' = 'meter'\n",
    "[columns]\n'A' = 'meter_id'\n'a' = 'operator'\n",
    "[columns]\n'' = 'meter_id'\n'\\u001b[2J' = 'site'\n",
    "[[columns]]\n'Meter no.' = 'meter_id'\n",
    "[others]\n",
    "a = " + "[" * 4000,
    "\ufeff[columns]\n'Meter no.' = 'meter_id'\n",
)


@dataclass(frozen=True, slots=True)
class Choices:
    """A policy file as it was written.

    Attributes
    ----------
    content : bytes
        All of it.
    done : str
        What was done to it, for whoever looks into a failure.
    refused : bool
        Whether it must be: what is wrong with it leaves no room for judgement.
    """

    content: bytes
    done: str
    refused: bool


def some_choices(chance: random.Random) -> Choices:
    """Return a policy file: some choices within their bounds, and mostly something wrong."""
    names = chance.sample(BOUNDS, chance.randint(1, 6))
    values = {name: _within(chance, low, high) for name, low, high in names}
    spoilt, low, high = chance.choice(names)
    how = chance.choice(["sound", "type", "bounds", "unknown", "heads", "cut", "bytes", "utf-16"])
    if how == "type":
        values[spoilt] = chance.choice(NO_NUMBERS)
    elif how == "bounds":
        values[spoilt] = repr(chance.choice([low - 1, high + 1, 2 * high + 1, -1e300]))
    elif how == "unknown":
        values[chance.choice(["", "intervals.", "retirement.", "others."]) + "colour"] = "1"
    lines = _lines(values)
    if how == "heads":
        lines = [line for line in lines if not line.startswith("[")]
    content = "\n".join([*lines, ""]).encode()
    if how == "cut":
        content = content[: chance.randrange(len(content))]
    elif how == "bytes":
        at = chance.randrange(len(content))
        content = content[:at] + chance.randbytes(chance.randint(1, 9)) + content[at:]
    elif how == "utf-16":
        content = content.decode().encode("utf-16")
    # A choice of a table that comes before all tables is none, unless one there has its name.
    alone = {name for name, _, _ in BOUNDS if "." not in name}
    lost = how == "heads" and any(name.rpartition(".")[2] not in alone for name in values)
    refused = how in {"type", "bounds", "unknown", "utf-16"} or lost
    return Choices(content, f"policy: {how} {spoilt}", refused=refused)


def some_mapping(chance: random.Random) -> bytes:
    """Return a mapping file that mostly declares what cannot be meant."""
    if chance.random() < 0.2:
        return chance.randbytes(chance.randint(0, 60))
    return chance.choice(MAPPINGS).encode()


def _within(chance: random.Random, low: float, high: float) -> str:
    """Return a value within bounds, mostly near the lower, as it is written."""
    if isinstance(low, int) and isinstance(high, int):
        return str(chance.randint(low, min(high, low + 99)))
    return repr(chance.uniform(low, min(high, low + 1)))


def _lines(values: dict[str, str]) -> list[str]:
    """Return choices as lines of TOML, those of tables below their heads."""
    parts = {name: name.rpartition(".") for name in values}
    heads = sorted({table for table, _, _ in parts.values()})
    lines = []
    for head in heads:
        lines += [f"[{head}]"] if head else []
        lines += [f"{parts[n][2]} = {value}" for n, value in values.items() if parts[n][0] == head]
    return lines
