"""This module names what the part on changes since the last review holds; it computes nothing."""

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True)
class ChangeRow:
    """One change.

    Attributes
    ----------
    meter_id, file : str
        The meter and its dossier; file is empty where it has none, both where no meter is meant.
    name : str
        What changed: a signal's id, a choice's name, an input file; empty for a standing.
    on_date : date or None
        The visit, due date or response that it hangs on.
    before, now : str
        Empty where the thing was or is not there.
    why : str
        In words; empty where there is nothing to add.
    """

    meter_id: str
    file: str
    point_pct: float | None
    name: str
    on_date: date | None
    before: str
    now: str
    why: str


@dataclass(frozen=True, slots=True)
class SincePart:
    """What has changed since an earlier review.

    Attributes
    ----------
    earlier_as_of : date
        The earlier review's date.
    lead : tuple of str
        Sentences: what changed, how its predictions fared.
    standings, signals, responses, meters, settings : tuple of ChangeRow
        The first rows of each list; settings hold choices of the policy and the program.
    files : tuple of str
        Input files that are new, gone or of another content.
    totals : tuple of (str, int)
        Of each list that is longer than it is shown, what it holds and how many there are.
    longest : int
        How many rows such a list shows.
    """

    earlier_as_of: date
    lead: tuple[str, ...]
    standings: tuple[ChangeRow, ...]
    signals: tuple[ChangeRow, ...]
    responses: tuple[ChangeRow, ...]
    meters: tuple[ChangeRow, ...]
    settings: tuple[ChangeRow, ...]
    files: tuple[str, ...]
    totals: tuple[tuple[str, int], ...]
    longest: int
