"""This module takes a source to a study of repeatability."""

from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path

import polars as pl

from drift.api.given import Choices, Day, Source, day_given, policy_given, read_given
from drift.api.sources import read_known
from drift.report.data_files import plain_columns
from drift.report.repeatability_study import study_tables
from drift.review.policy import Policy
from drift.review.studying import Studied, find_study
from drift.visible import visible


@dataclass(frozen=True, slots=True, repr=False)
class Study:
    """What `drift.study` found in a study of repeatability.

    Attributes
    ----------
    as_of : date
        Later rows are not seen.
    study_id : str
    components : pl.DataFrame
        What readings scatter by, a row a part: ``name sd low high df share shared_with note``,
        standard deviations with their 95 % interval in % air.
    effects, stands_out : pl.DataFrame
        Operators and meters against the others; those of them that stand out.
    u_pct, df : float or None
        Standard uncertainty of one reading, % air, and its degrees of freedom; None where nothing
        scatters or the dial hides it.
    resolution_limited : bool
        Whether the dial's steps hide part of it.
    plan : dict or None
        The study that would tell operators apart: `operators`, `meters`, `days`, `replicates` and
        the like.
    sentences : tuple of str
        The same in words.
    """

    as_of: date
    study_id: str
    components: pl.DataFrame
    effects: pl.DataFrame
    stands_out: pl.DataFrame
    u_pct: float | None
    df: float | None
    resolution_limited: bool
    plan: dict[str, object] | None
    sentences: tuple[str, ...]

    def __repr__(self) -> str:
        """Return the study, the date and how many stand out."""
        return (
            f"<study {visible(self.study_id)} on {self.as_of}: {self.stands_out.height} stand out>"
        )


def study_of(source: Path, study_id: str, *, as_of: date, policy: Policy) -> Studied:
    """Analyse a study of a folder or a store file.

    Parameters
    ----------
    source : Path
        Folder or store file.
    study_id : str
        As the source writes it.
    as_of : date
        Later rows are not seen.
    policy : Policy
        The laboratory's choices.

    Raises
    ------
    DriftError
        If the source cannot be used, or there is no such study.
    """
    sources = read_known(source, as_of=as_of, policy=policy)
    name = source.resolve().name
    return find_study(sources, study_id, source_name=name, as_of=as_of, policy=policy)


def study(source: Source, study_id: str, *, as_of: Day = None, policy: Choices = None) -> Study:
    """Analyse a study of repeatability on record, as ``drift study`` does.

    Parameters
    ----------
    source : str, path or mapping of str to pl.DataFrame
        A folder of CSV files, a store file, or frames by name of input table, ``studies`` and
        ``readings`` among them.
    study_id : str
        As the source writes it.
    as_of, policy
        As of `drift.review`.

    Raises
    ------
    DriftError
        If one of them cannot be used, or there is no such study; it names the nearest.

    Examples
    --------
    >>> import polars, drift
    >>> read = {
    ...     "performed_on": "2026-01-05",
    ...     "correct_air_pct": 5.0,
    ...     "reading_air_pct": [5.0, 5.05, 5.05, 5.1, 4.95, 5.0, 5.1, 5.05],
    ...     "meter_id": ["AM-1", "AM-1", "AM-2", "AM-2"] * 2,
    ... }
    >>> studies = polars.DataFrame(
    ...     read | {"study_id": "REP-1", "operator": ["A"] * 4 + ["B"] * 4, "resolution_pct": 0.05}
    ... )
    >>> readings = polars.DataFrame(read | {"stage": "as_found"})
    >>> found = drift.study({"studies": studies, "readings": readings}, "REP-1", as_of="2026-02-01")
    >>> found
    <study REP-1 on 2026-02-01: 0 stand out>
    >>> found.components["name"].to_list()[-1]
    'repeatability'
    """
    day, choices = day_given(as_of), policy_given(policy)
    sources, name = read_given(source, as_of=day, policy=choices)
    found = find_study(sources, study_id, source_name=name, as_of=day, policy=choices)
    tables, weighed = study_tables(found), found.study
    return Study(
        as_of=day,
        study_id=weighed.study_id,
        components=tables["study_components"],
        effects=tables["study_effects"],
        stands_out=plain_columns(weighed.stands_out),
        u_pct=weighed.u_pct,
        df=weighed.df,
        resolution_limited=weighed.resolution_limited,
        plan=None if weighed.plan is None else asdict(weighed.plan),
        sentences=found.told,
    )
