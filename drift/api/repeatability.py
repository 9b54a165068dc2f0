"""This module takes a source to a study of repeatability."""

from datetime import date
from pathlib import Path

from drift.api.reviews import read_known
from drift.review.policy import Policy
from drift.review.studying import Studied, find_study


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
