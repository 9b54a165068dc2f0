"""This module says in words where the limits of each block come from; it computes none."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Circumstances:
    """How the limits of every block came about.

    Attributes
    ----------
    kind : str
        What is counted, such as "visits".
    needed : int
        How many a baseline needs.
    visits : array of int, shape (blocks,)
        How many the baseline has.
    enough : array of bool, shape (blocks,)
        They are enough by themselves.
    known : array of bool, shape (blocks,)
        The block has limits.
    pooled : array of int, shape (blocks,)
        Series that the spread was pooled over; 1 for its own.
    earlier : array of int, shape (blocks,)
        Visits of its own earlier phases that helped to find the spread.
    open_still : array of bool, shape (blocks,)
        The last phase fills the baseline up and, still short, may yet turn out to differ.
    unlike, limited, widened : array of bool, shape (blocks,)
        The spread fails the F test of its like; it is hidden by the steps of the dial; limits are
        widened for autocorrelation.
    """

    kind: str
    needed: int
    visits: NDArray[np.int64]
    enough: NDArray[np.bool_]
    known: NDArray[np.bool_]
    pooled: NDArray[np.int64]
    earlier: NDArray[np.int64]
    open_still: NDArray[np.bool_]
    unlike: NDArray[np.bool_]
    limited: NDArray[np.bool_]
    widened: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _State:
    """The circumstances of one block."""

    kind: str
    needed: int
    visits: int
    enough: bool
    known: bool
    pooled: int
    earlier: bool
    open_still: bool
    unlike: bool
    limited: bool
    widened: bool


def where_limits_come_from(circumstances: Circumstances) -> list[str]:
    """Return one or a few sentences for each block."""
    states = zip(
        circumstances.visits.tolist(),
        circumstances.enough.tolist(),
        circumstances.known.tolist(),
        circumstances.pooled.tolist(),
        (circumstances.earlier > 0).tolist(),
        circumstances.open_still.tolist(),
        circumstances.unlike.tolist(),
        circumstances.limited.tolist(),
        circumstances.widened.tolist(),
        strict=True,
    )
    kind, needed = circumstances.kind, circumstances.needed
    # Blocks come in few states, so that each sentence is made once.
    said: dict[tuple[int, bool, bool, int, bool, bool, bool, bool, bool], str] = {}
    notes = []
    for state in states:
        if state not in said:
            said[state] = _sentences(_State(kind, needed, *state))
        notes.append(said[state])
    return notes


def _sentences(state: _State) -> str:
    """Say where the limits of a block come from, or why it has none."""
    counted = f"{state.visits} of the {state.needed} {state.kind} that a baseline needs"
    if not state.known and not state.enough:
        return f"No limits yet: {counted}, and too few like series to pool spread with."
    if not state.known:
        return "No limits: the readings of the baseline show no spread to set them by."
    words = _of_baseline(state, counted)
    if state.unlike:
        words.append("Its spread fails the F test of its like and is not pooled.")
    elif state.pooled > 1:
        words.append(
            f"Spread is pooled over {state.pooled} like series, as known when the limits were set."
        )
    if state.limited:
        words.append("Its own spread is limited by the dial's resolution.")
    if state.widened:
        words.append("Limits are widened, since successive visits resemble each other.")
    return " ".join(words)


def _of_baseline(state: _State, counted: str) -> list[str]:
    """Say what a baseline is made of, and whether its limits are frozen."""
    if not state.enough:
        source = "like series"
        if state.earlier:
            source = (
                "its earlier phases" if state.pooled == 1 else "its earlier phases and its like"
            )
        borrowed = f"spread is that of {source}, with the t factor for what is known."
        return [
            f"Limits from only {counted}: {borrowed}",
            "They are set anew at each further visit until the baseline is complete.",
        ]
    words = [f"Limits from the {state.visits} {state.kind} of the baseline."]
    if state.open_still:
        words.append("They may change while its last phase is short.")
    else:
        words.append("They are frozen.")
    if state.earlier:
        words.append("Its earlier phases, alike in spread (F test), are pooled with it.")
    return words
