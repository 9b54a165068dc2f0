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
from drift.report.pages.split import split_by_meter
from drift.report.register_files import write_register
from drift.report.study_pages import write_study_pages
from drift.review.evidence import gather_evidence
from drift.review.loading import fitted_here, load_fits
from drift.review.results import Review

Helpers = Sequence[ProcessPoolExecutor]

# What is written once beside the pages of the fleet.
_BESIDE_FLEET = ("evidence.html", "guide.html")


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
    parts = dict(split_by_meter(review))
    write = partial(_write_dossier, meters=meters, bar=bar, alone=alone)
    begun = {
        meter_id: beside[place % len(beside)].submit(write, part, meter_id)
        for place, (meter_id, part) in enumerate(parts.items() if beside else ())
    }
    proof = _write_pack(review, folder, bar, alone=alone) if pack is None else None
    assets = drawn.result() if drawn else [] if alone else write_assets(folder)
    meanwhile()
    registered = write_register(review, folder, bar)
    registered += write_study_pages(review, folder, bar, alone=alone)
    # From the far end, this process writes what no helper has begun.
    done, left = 1, []
    steps = len(parts) + len(_BESIDE_FLEET) + len(render.FLEET_PAGES) + len(registered)
    progress(done, steps)
    for meter_id, part in reversed(parts.items()):
        if meter_id in begun and not begun[meter_id].cancel():
            left.append(begun[meter_id])
            continue
        write(part, meter_id)
        done += 1
        progress(done + _finished(left), steps)
    if pack is not None:
        proof = pack.result()
    _write_fleet(review, folder, bar, fleet_page(review, proof=proof), alone=alone)
    for future in reversed(left):
        future.result()
    progress(steps, steps)
    dossiers = [f"meters/{file_name(meter_id)}" for meter_id in parts]
    return [*render.FLEET_PAGES, *_BESIDE_FLEET, *registered, *dossiers, *assets]


def _write_fleet(
    review: Review, folder: Path, bar: PageBar, page: FleetPage, *, alone: bool
) -> None:
    """Write the pages of the fleet, and the guide."""
    for name, html in render.html_fleet(page, bar, alone=alone).items():
        (folder / name).write_text(html, encoding="utf-8", newline="\n")
    (folder / "guide.html").write_text(
        render.html_guide(guide_page(review), bar), encoding="utf-8", newline="\n"
    )


def _finished(futures: list[Future[None]]) -> int:
    """Count the dossiers that workers have finished."""
    return sum(future.done() for future in futures)


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


def _write_dossier(
    review: Review, meter_id: str, *, meters: Path, bar: PageBar, alone: bool
) -> None:
    """Write one dossier."""
    html = render.html_dossier(dossier_page(review, meter_id), bar, alone=alone)
    (meters / file_name(meter_id)).write_text(html, encoding="utf-8", newline="\n")
