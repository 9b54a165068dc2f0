"""This module orders series by what they hold, whatever they are called.

Sums of rounded numbers come out otherwise in another order, and a part of a fleet is another part.
"""

from dataclasses import replace
from hashlib import blake2b

import numpy as np
from numpy.typing import NDArray

from drift.arrays import Floats, Integers
from drift.forecast.grid.visits import Visits
from drift.frames import DAYS_PER_YEAR

# What is equal to so many places is equal, % air: below it lies binary rounding.
_PLACES = 9
_HASH_BYTES = 8


def in_order_of_content(visits: Visits) -> Visits:
    """Return the fleet with its lives and its meters in an order fixed by what they are."""
    return ordered(visits, content_order(visits))


def content_order(visits: Visits) -> Integers:
    """Return the order of the lives that `in_order_of_content` puts them in, shape (lives,).

    Notes
    -----
    Lives go by the day of their first visit, how far off it found them, then by a hash of all
    that they are: first without signs and counted in days from the fleet's first visit, so that
    a fleet mirrored or shifted in time keeps its order, then with signs, then by their meters'
    other lives.  Lives that still tie are the same in everything.  Meters go by their first life.
    What lies beyond the `count` of a life has no say.
    """
    lived = visits.count > 0
    begun = np.where(lived, visits.years[:, 0], np.inf)
    days = np.rint((visits.years - begun.min(initial=np.inf)) * DAYS_PER_YEAR)
    signed, plain = _hashes(visits, days)
    off = _rounded(np.sort(np.abs(visits.found[:, 0]), axis=1)[:, 0])
    first = np.where(lived, days[:, 0], np.inf)
    return np.lexsort((_of_meters(visits, signed), signed, plain, off, first))


def ordered(visits: Visits, order: Integers) -> Visits:
    """Return the lives `order`, and meters numbered as they first come in it."""
    meter = visits.meter[order]
    old, place = np.unique(meter, return_index=True)
    old = old[np.argsort(place)]
    number = np.empty(len(visits.meter_ids), dtype=np.int64)
    number[old] = np.arange(old.size)
    return replace(
        visits,
        series=visits.series[order],
        meter=number[meter],
        meter_ids=tuple(visits.meter_ids[each] for each in old),
        last=visits.last[order],
        count=visits.count[order],
        visit=visits.visit[order],
        years=visits.years[order],
        found=visits.found[order],
        left=visits.left[order],
        found_count=visits.found_count[order],
        kind=visits.kind[order],
        reset=visits.reset[order],
        mixed=visits.mixed[order],
        off=visits.off[order],
        odds=visits.odds[order],
        occasion=_renumbered(visits.occasion[order]),
        jump=visits.jump[order],
        jump_sd=visits.jump_sd[order],
        later=visits.later[order],
        later_sd=visits.later_sd[order],
        jolt=visits.jolt[order],
        fresh=visits.fresh[order],
    )


def _renumbered(occasion: Integers) -> Integers:
    """Return visits of meters numbered as they first come; −1 stays where there is none."""
    old, first, place = np.unique(occasion, return_index=True, return_inverse=True)
    number = np.empty(old.size, dtype=np.int64)
    number[np.argsort(first)] = np.arange(old.size)
    return np.where(occasion < 0, -1, number[place].reshape(occasion.shape))


def _hashes(visits: Visits, days: Floats) -> tuple[NDArray[np.uint64], NDArray[np.uint64]]:
    """Return a hash of each life, with the signs of its biases and without."""
    flags = [
        visits.reset,
        visits.mixed,
        visits.jolt,
        visits.found_count,
        visits.resolutions[visits.kind],
    ]
    alike = np.stack([days, visits.jump_sd, visits.later_sd, *flags], axis=2, dtype=np.float64)
    biases = [visits.found, visits.left, visits.jump[:, :, None], visits.later[:, :, None]]
    # Replicates have no order of their own.
    with_signs, without = (
        _rounded(np.concatenate([np.sort(each, axis=2) for each in some], axis=2))
        for some in (biases, [np.abs(each) for each in biases])
    )
    alike = _rounded(alike)
    fresh = visits.fresh.astype(np.float64)
    signed, plain = np.zeros((2, visits.count.size), dtype=np.uint64)
    for life, count in enumerate(visits.count):
        head = fresh[life].tobytes() + alike[life, :count].tobytes()
        signed[life] = _hash(head + with_signs[life, :count].tobytes())
        plain[life] = _hash(head + without[life, :count].tobytes())
    return signed, plain


def _of_meters(visits: Visits, signed: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Return for each life the hash of all lives of its meter together."""
    order = np.lexsort((signed, visits.meter))
    ids, starts = np.unique(visits.meter[order], return_index=True)
    parts = np.split(signed[order], starts[1:])
    of_meter = np.zeros(int(ids.max(initial=0)) + 1, dtype=np.uint64)
    of_meter[ids] = [_hash(part.tobytes()) for part in parts]
    return of_meter[visits.meter]


def _hash(content: bytes) -> int:
    """Return a number of 64 bits that is the same on every machine."""
    return int.from_bytes(blake2b(content, digest_size=_HASH_BYTES).digest(), "big")


def _rounded(values: Floats) -> Floats:
    """Return values without binary rounding, one zero, one NaN."""
    clean = np.round(values, _PLACES) + 0.0
    return np.where(np.isnan(clean), np.nan, clean)
