"""Names that may be one name."""

from drift.reference.operators import likely_duplicates


def test_one_operator_spelled_three_ways() -> None:
    """Case, order, punctuation, initials and a slip of the pen are pointed out as one group."""
    names = ["Ada Byron", "byron, ada", "A. Byron", "Ada Byrno", "Carl Gauss", "Ada Byron"]
    assert likely_duplicates(names) == [("A. Byron", "Ada Byrno", "Ada Byron", "byron, ada")]
    assert likely_duplicates(["José", "Jose ", "JOSE"]) == [("JOSE", "Jose ", "José")]


def test_different_people_stay_apart() -> None:
    """Numbers, short names and namesakes with another first name are not called duplicates."""
    assert likely_duplicates(["tech 1", "tech 2", "tech 11"]) == []
    assert likely_duplicates(["Ann", "Dan", "Ian"]) == []
    assert likely_duplicates(["Ada Byron", "Mia Byron"]) == []
    assert likely_duplicates(["", " ", "-", "."]) == []
