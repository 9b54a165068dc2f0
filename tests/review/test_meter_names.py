"""Ids that may be one meter, and ids that are not."""

import pytest

from drift.review.meter_names import alike_names, name_key


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("007", "7"),
        ("AM-01", "am-01"),
        ("AM-01", "AM 01"),
        ("AM-01", "AM01"),
        ("AM-01", "AM-O1"),
        ("AM-10", "AM-1O"),
        ("AM-100", "am-1oo"),
        ("AM-001", "AM-oo1"),
        ("AM-01", " AM-01 "),
        ("AM-01", "\uff21\uff2d-01"),
        ("Bowl 3/B", "bowl-03-b"),
    ],
)
def test_ways_of_writing_one_id_have_one_key(one: str, other: str) -> None:
    """Case, spaces, punctuation, zeros before a number, the letter O, full-width letters."""
    assert name_key(one) == name_key(other)


@pytest.mark.parametrize(
    ("one", "other"),
    [("AM-1", "AM-10"), ("A-1-2", "A-12"), ("AM-1", "BM-1"), ("NORTH", "N0RTH-1"), ("-", "--")],
)
def test_other_ids_have_other_keys(one: str, other: str) -> None:
    """A number more, another split of numbers, another letter, and ids of marks alone."""
    assert name_key(one) != name_key(other)


def test_each_way_of_writing_names_the_others() -> None:
    """Two of three ids are alike; the third, and a name given twice, are not told."""
    found = alike_names(["AM-01", "AM-02", "am 1", "AM-02"])
    assert found == {"AM-01": ("am 1",), "am 1": ("AM-01",)}
