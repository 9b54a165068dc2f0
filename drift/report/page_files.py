"""This module writes the pages of a review, on all cores."""

import dataclasses
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from functools import partial
from pathlib import Path

from drift.forecast.proof import Proof
from drift.report import render
from drift.report.figures.assets import figures_script, library_script, write_assets
from drift.report.pages.bar import PageBar, review_bar
from drift.report.pages.dossier import dossier_page
from drift.report.pages.evidence import evidence_page
from drift.report.pages.fleet import FleetPage, fleet_page
from drift.report.pages.guide import guide_page
from drift.report.pages.parts import file_name
from drift.report.pages.split import split_by_meter, split_in_groups
from drift.report.register_files import write_register
from drift.report.study_pages import write_study_pages
from drift.review.evidence import gather_evidence
from drift.review.loading import fitted_here, load_fits
from drift.review.results import Review

Helpers = Sequence[ProcessPoolExecutor]

# What is written once beside the pages of the fleet.
_BESIDE_FLEET = ("evidence.html", "guide.html")
# Most dossiers that a process is given at once, and the fewest times that each is given some: what
# all wait for at the end is one such share.
_MOST_DOSSIERS, _FEWEST_SHARES = 16, 4


def make_ready(pools: Helpers, *, dossiers: int) -> None:
    """Let processes load what drawing needs, while a review is being worked out.

    Parameters
    ----------
    pools : sequence of ProcessPoolExecutor
        From `drift.beside.processes`.
    dossiers : int
        How many there will be to write.
    """
    for pool in () if fitted_here(dossiers) else pools:
        pool.submit(load_fits)
    for pool in pools[:1]:
        pool.submit(_ready_assets)


def write_pages(
    review: Review,
    folder: Path,
    *,
    beside: Helpers,
    progress: Callable[[int, int], None],
    meanwhile: Callable[[], None] = lambda: None,
    alone: bool = False,
) -> list[str]:
    """Write the fleet review, the evidence pack and a dossier for each meter.

    Parameters
    ----------
    review : Review
        What was found.
    folder : Path
        Where ``index.html``, ``evidence.html`` and ``meters/`` go.
    beside : sequence of ProcessPoolExecutor
        What was given to `make_ready`.
    progress : callable
        Told how many pages are done and how many there are.
    meanwhile : callable
        Other work for this process, done while helpers write.
    alone : bool
        Whether each page holds the scripts that draw its figures, instead of ``assets/``.

    Returns
    -------
    list of str
        Names below `folder` of the pages, then of the scripts that draw their figures; the same
        on any number of cores, as are their bytes.

    Raises
    ------
    OSError
        If a page cannot be written.
    """
    meters = folder / "meters"
    meters.mkdir(parents=True, exist_ok=True)
    drawn = beside[0].submit(write_assets, folder) if beside and not alone else None
    bar = review_bar(review)
    alone_fits = fitted_here(review.meters.height)
    shared = bool(beside) and not alone_fits
    pack = beside[0].submit(_write_pack, review, folder, bar, alone=alone) if shared else None
    if alone_fits and review.trends is None:
        review = dataclasses.replace(review, trends=review.plain_trends())
    groups = list(split_in_groups(review, _most_at_once(review.meters.height, len(beside))))
    write = partial(_write_dossiers, meters=meters, bar=bar, alone=alone)
    begun = [
        beside[place % len(beside)].submit(write, part, names)
        for place, (names, part) in enumerate(groups if beside else ())
    ]
    proof = _write_pack(review, folder, bar, alone=alone) if pack is None else None
    assets = drawn.result() if drawn else [] if alone else write_assets(folder)
    meanwhile()
    registered = write_register(review, folder, bar)
    registered += write_study_pages(review, folder, bar, alone=alone)
    steps = review.meters.height + len(_BESIDE_FLEET) + len(render.FLEET_PAGES) + len(registered)
    progress(1, steps)
    left = _write_left(groups, begun, write, told=lambda number: progress(1 + number, steps))
    if pack is not None:
        proof = pack.result()
    _write_fleet(review, folder, bar, fleet_page(review, proof=proof), alone=alone)
    for future in left:
        future.result()
    progress(steps, steps)
    dossiers = [f"meters/{file_name(name)}" for name in sorted(review.meters["meter_id"])]
    return [*render.FLEET_PAGES, *_BESIDE_FLEET, *registered, *dossiers, *assets]


def _write_left(
    groups: list[tuple[list[str], Review]],
    begun: list[Future[None]],
    write: Callable[..., None],
    *,
    told: Callable[[int], None],
) -> list[Future[None]]:
    """Write, from the far end, what no helper has begun; return what helpers are writing.

    `told` is called with the number of dossiers written.
    """
    done, left = 0, dict[int, Future[None]]()

    def one_more() -> None:
        nonlocal done
        done += 1
        told(done + sum(len(groups[at][0]) for at, future in left.items() if future.done()))

    for at in reversed(range(len(groups))):
        names, part = groups[at]
        if begun and not begun[at].cancel():
            left[at] = begun[at]
        else:
            write(part, names, told=one_more)
    return list(reversed(left.values()))


def _most_at_once(dossiers: int, helpers: int) -> int:
    """Return how many dossiers a process is given at once."""
    return max(1, min(_MOST_DOSSIERS, dossiers // (_FEWEST_SHARES * (1 + helpers))))


def _write_fleet(
    review: Review, folder: Path, bar: PageBar, page: FleetPage, *, alone: bool
) -> None:
    """Write the pages of the fleet, and the guide."""
    for name, html in render.html_fleet(page, bar, alone=alone).items():
        (folder / name).write_text(html, encoding="utf-8", newline="\n")
    (folder / "guide.html").write_text(
        render.html_guide(guide_page(review), bar), encoding="utf-8", newline="\n"
    )


def _ready_assets() -> None:
    """Put the scripts together that draw figures: bundling the library is slow the first time."""
    library_script()
    figures_script()


def _write_pack(review: Review, folder: Path, bar: PageBar, *, alone: bool) -> Proof | None:
    """Write the evidence pack; return how past forecasts came out, which it shows."""
    evidence = gather_evidence(review)
    html = render.html_evidence(evidence_page(review, evidence), bar, alone=alone)
    (folder / "evidence.html").write_text(html, encoding="utf-8", newline="\n")
    return evidence.proof


def _write_dossiers(
    review: Review,
    names: Sequence[str],
    *,
    meters: Path,
    bar: PageBar,
    alone: bool,
    told: Callable[[], None] = lambda: None,
) -> None:
    """Write the dossiers of some meters of a review; `told` is called after each."""
    # Fitted for all of them at once: to get ready takes as long as to fit ten.
    review = dataclasses.replace(review, trends=review.plain_trends())
    for name, part in split_by_meter(review, names):
        html = render.html_dossier(dossier_page(part, name), bar, alone=alone)
        (meters / file_name(name)).write_text(html, encoding="utf-8", newline="\n")
        told()
