"""This module orders series by what they hold, whatever they are called.

Sums of rounded numbers come out otherwise in another order, and a part of a fleet is another part.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from drift.arrays import Flags, Floats, Integers
from drift.forecast.grid.visits import Visits
from drift.frames import DAYS_PER_YEAR

# What is equal to so many places is equal, % air: below it lies binary rounding.
_PLACES = 9


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
    lived = np.arange(visits.years.shape[1]) < visits.count[:, None]
    alike = (
        days,
        visits.jump_sd,
        visits.later_sd,
        visits.reset + 2.0 * visits.mixed + 4.0 * visits.jolt,
        visits.found_count,
        visits.resolutions[visits.kind],
    )
    common = hashed(visits.fresh.astype(np.uint64))
    for column, values in enumerate(alike):
        common = common + _row_hashes(values, lived, column)
    signed, plain = common.copy(), common.copy()
    column = len(alike)
    for values in (visits.jump, visits.later):
        signed += _row_hashes(values, lived, column)
        plain += _row_hashes(np.abs(values), lived, column)
        column += 1
    # Replicates have no order of their own; those as found and as left take turns, so that the
    # longest list of a fleet has no say.
    for readings, begin in ((visits.found, column), (visits.left, column + 1)):
        sizes = np.sort(np.abs(readings), axis=2)
        values = np.sort(readings, axis=2)
        for replicate in range(readings.shape[2]):
            column = begin + 2 * replicate
            signed += _row_hashes(values[:, :, replicate], lived, column)
            plain += _row_hashes(sizes[:, :, replicate], lived, column)
    return signed, plain


def _row_hashes(values: Floats, lived: Flags, column: int) -> NDArray[np.uint64]:
    """Return a hash of the rows of one column of visits; what is not known has none."""
    there = lived & ~np.isnan(values)
    whole = np.rint(np.where(there, values, 0.0) * 10**_PLACES).astype(np.int64).view(np.uint64)
    visit = np.arange(values.shape[1], dtype=np.uint64)
    place = hashed((visit << np.uint64(20)) + np.uint64(column))
    hashes: NDArray[np.uint64] = np.where(there, hashed(whole ^ place), np.uint64(0)).sum(axis=1)
    return hashes


def _of_meters(visits: Visits, signed: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Return for each life the hash of all lives of its meter together."""
    of_meter = np.zeros(int(visits.meter.max(initial=0)) + 1, dtype=np.uint64)
    np.add.at(of_meter, visits.meter, hashed(signed))
    return of_meter[visits.meter]


def hashed(number: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Return numbers of 64 bits that look like chance and are the same on every machine.

    Steele, Lea and Flood (2014), Fast splittable pseudorandom number generators, ACM SIGPLAN
    Notices 49, 453–472: the mixing function of SplitMix64 (its constants from memory).
    """
    mixed = number + np.uint64(0x9E3779B97F4A7C15)
    mixed = (mixed ^ (mixed >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    mixed = (mixed ^ (mixed >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return mixed ^ (mixed >> np.uint64(31))


def _rounded(values: Floats) -> Floats:
    """Return values without binary rounding, one zero, one NaN."""
    clean = np.round(values, _PLACES) + 0.0
    return np.where(np.isnan(clean), np.nan, clean)
