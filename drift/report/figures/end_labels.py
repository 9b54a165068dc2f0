"""This module places the names of lines where these end."""

from collections.abc import Sequence


def placed_apart(
    ends: Sequence[float | None], *, gap: float, top: float = 1.0
) -> list[float | None]:
    """Return heights for the names of lines, so far apart that none covers another.

    Parameters
    ----------
    ends : sequence of float or None
        Where the lines end; None for a line without an end.
    gap : float
        Least distance of two names, in the same unit.
    top : float
        The highest place for a name; all of them have to fit between it and zero.

    Returns
    -------
    list of float or None
        Names keep the order of their ends.
    """
    known = {place: end for place, end in enumerate(ends) if end is not None}
    heights: dict[int, float] = {}
    above = top + gap
    for place, end in sorted(known.items(), key=lambda item: (-item[1], item[0])):
        above = min(end, above - gap)
        heights[place] = above
    # From below, those that were pushed under the axis.
    below = -gap
    for place in sorted(heights, key=lambda each: (heights[each], -each)):
        below = max(heights[place], below + gap)
        heights[place] = below
    return [heights.get(place) for place in range(len(ends))]
