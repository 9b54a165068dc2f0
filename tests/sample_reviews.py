"""This module reads and reviews a source once a run of the tests, whichever worker asks first."""

import dataclasses
import fcntl
import hashlib
import os
import pickle
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import date
from functools import cache, lru_cache
from pathlib import Path
from typing import Any
from unittest import mock

import polars as pl

from drift.api.reviews import find
from drift.api.sources import read_folder
from drift.forecast.proof import Proof, prove
from drift.review.analyse import analyse
from drift.review.policy import Policy
from drift.review.results import Review
from drift.store.tables import Sources

SAMPLE = Path(__file__).resolve().parents[1] / "sample_history"
SampleReviews = Callable[[date], Review]
# What reads a folder of files, and what reviews a source, by the names under which commands call
# them.
_READ = (
    "drift.api.sources.read_folder",
    "drift.api.before_loading.read_folder",
    "drift.api.fresh_files.read_folder",
)
_CALLED = ("drift.api.reviews.analyse", "drift.api.memos.analyse", "drift.review.analyse.analyse")
# What judges the forecaster on a history, which takes longer than the rest of a review.
_PROVEN = "drift.review.evidence.prove"


@contextmanager
def read_once(shared: Path) -> Iterator[None]:
    """Let a folder be read once within, if its files and what is asked of them are the same.

    `shared` is as of `analysed_once`.
    """

    @lru_cache(maxsize=32)
    def kept(at: Path) -> Sources:
        sources: Sources = pickle.loads(at.read_bytes())  # noqa: S301  # written below
        return sources

    def read(folder: Path, *, as_of: date | None, policy: Policy) -> Sources:
        # The sample's generator is compiled beside its files, which nothing reads.
        found = sorted(folder.iterdir()) if folder.is_dir() else []
        files = [file for file in found if file.name != "__pycache__"]
        if not all(file.is_file() and not file.is_symlink() for file in files):
            return read_folder(folder, as_of=as_of, policy=policy)
        told = [(file.name, hashlib.sha256(file.read_bytes()).digest()) for file in files]
        asked = (folder.resolve().name, as_of, policy.points_pct, policy.point_window_pct)
        key = hashlib.sha256(repr((told, asked)).encode(errors="surrogateescape")).hexdigest()
        at = shared / f"sources-{key}.pickle"
        if not at.exists():
            # Another worker may read the same meanwhile: the last to finish is kept.
            mine = at.with_suffix(f".{os.getpid()}")
            mine.write_bytes(pickle.dumps(read_folder(folder, as_of=as_of, policy=policy)))
            mine.replace(at)
        return kept(at)

    with ExitStack() as stack:
        for name in _READ:
            stack.enter_context(mock.patch(name, read))
        yield


@contextmanager
def analysed_once(shared: Path) -> Iterator[None]:
    """Let what commands review within be worked out once, if its rows and choices are the same.

    Parameters
    ----------
    shared : Path
        Folder of this run, which all its workers see: the first to ask works it out and keeps it
        there, the others wait and read it.
    """

    @cache
    def kept(at: Path) -> Review:
        review: Review = pickle.loads(at.read_bytes())  # noqa: S301  # written below
        return review

    def work_out(sources: Sources, **asked: Any) -> Review:
        parts = (getattr(sources, part.name) for part in dataclasses.fields(sources))
        # What frames hold of missing values differs between equal ones: their rows speak.
        rows = [part.rows() if isinstance(part, pl.DataFrame) else part for part in parts]
        asked_for = (asked["source_name"], asked["as_of"], asked["policy"])
        told = repr((rows, asked_for)).encode() + pickle.dumps(asked.get("earlier"))
        key = hashlib.sha256(told).hexdigest()
        at = shared / f"review-{key}.pickle"
        _make_once(at, lambda: analyse(sources, **asked))
        return kept(at)

    with _worked_out_by(work_out):
        yield


@contextmanager
def proven_once(shared: Path) -> Iterator[None]:
    """Let the forecaster be judged once within on each history; `shared` as of `analysed_once`."""

    @cache
    def kept(at: Path) -> Proof:
        proof: Proof = pickle.loads(at.read_bytes())  # noqa: S301  # written below
        return proof

    def judge(ledger: pl.DataFrame, **asked: Any) -> Proof:
        told = repr((ledger.columns, ledger.rows())).encode() + pickle.dumps(asked)
        at = shared / f"proof-{hashlib.sha256(told).hexdigest()}.pickle"
        _make_once(at, lambda: prove(ledger, **asked))
        return kept(at)

    with mock.patch(_PROVEN, judge):
        yield


def _make_once(at: Path, make: Callable[[], object]) -> None:
    """Keep in a file what is made; whoever else wants it meanwhile waits."""
    with at.with_suffix(".lock").open("w", encoding="utf-8") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not at.exists():
            at.write_bytes(pickle.dumps(make()))


@contextmanager
def worked_out_anew() -> Iterator[None]:
    """Let each source within be read and reviewed, though its files and rows may be known."""
    with ExitStack() as stack:
        for name in _READ:
            stack.enter_context(mock.patch(name, read_folder))
        stack.enter_context(mock.patch(_PROVEN, prove))
        stack.enter_context(_worked_out_by(analyse))
        yield


@contextmanager
def _worked_out_by(work_out: Callable[..., Review]) -> Iterator[None]:
    with ExitStack() as stack:
        for name in _CALLED:
            stack.enter_context(mock.patch(name, work_out))
        yield


def reviews_kept_in(shared: Path) -> SampleReviews:
    """Return what gives the review of the sample on a date, by the default policy."""

    @cache
    def on(as_of: date) -> Review:
        with analysed_once(shared):
            return find(SAMPLE, as_of=as_of, policy=Policy())

    return on
