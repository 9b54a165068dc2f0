"""Numbers, units and dates as text."""

from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drift import format as text

SPACE = text.NO_BREAK


@pytest.mark.parametrize(
    ("value", "shown"),
    [(0.05, "0.0"), (0.15, "0.2"), (0.25, "0.2"), (5.05, "5.0"), (5.15, "5.2")],
)
def test_half_goes_to_even(value: float, shown: str) -> None:
    """Halves round to even (ASTM E29 rounding method; the five values derived from its rule)."""
    assert text.fixed(value, places=1) == shown


@pytest.mark.parametrize(
    ("value", "places", "shown"),
    [
        (3.1 - 3.0, 3, "0.100"),  # the float is 0.10000000000000009
        (0.0245, 3, "0.024"),
        ((0.02 + 0.029) / 2, 3, "0.024"),  # one digit too many: a half all the same
        (-0.0004, 3, "0.000"),
        (-0.0, 2, "0.00"),
        (-1.5, 1, "\u22121.5"),
        (1e-12, 3, "0.000"),
        (12345.678, 0, "12346"),
    ],
)
def test_fixed_rounds_the_number_that_was_written(value: float, places: int, shown: str) -> None:
    """The decimal value is rounded, zero has no sign and a minus sign is U+2212."""
    assert text.fixed(value, places=places) == shown


@given(st.floats(-100, 100), st.integers(0, 6))
def test_fixed_is_never_off_by_more_than_half_a_step(value: float, places: int) -> None:
    """Whatever the number, its text lies within half a step of it."""
    shown = Decimal(text.fixed(value, places=places).replace(text.MINUS, "-"))
    assert abs(shown - Decimal(value)) <= Decimal(1).scaleb(-places) / 2 + Decimal("1e-9")


@pytest.mark.parametrize("value", [None, float("nan"), float("inf"), float("-inf")])
def test_what_is_not_known_is_said_in_words(value: float | None) -> None:
    """No missing number becomes a blank, a nan or a zero."""
    assert text.bias(value) == text.CANNOT_SAY
    assert text.bias_with_unit(value) == text.CANNOT_SAY
    assert text.spread(value) == text.CANNOT_SAY
    assert text.plain(value) == text.CANNOT_SAY
    assert text.point(value) == text.CANNOT_SAY
    assert text.probability(value) == text.CANNOT_SAY
    assert text.p_value(value) == text.CANNOT_SAY
    assert text.share(value) == text.CANNOT_SAY
    assert text.interval(value, 0.1) == text.CANNOT_SAY


@given(st.floats(0, 1))
def test_no_probability_is_certain(value: float) -> None:
    """A probability is never shown as 0 % or 100 %, and its whole percent is right."""
    shown = text.probability(value)
    assert shown not in {f"0{SPACE}%", f"100{SPACE}%"}
    if not shown.startswith(("under", "over")):
        assert abs(int(shown.removesuffix(f"{SPACE}%")) - 100 * value) <= 0.5 + 1e-6


@pytest.mark.parametrize(
    ("value", "shown"),
    [(0.0, "under 1 %"), (0.0099, "under 1 %"), (0.01, "1 %"), (0.5, "50 %"), (0.995, "over 99 %")],
)
def test_probabilities_at_their_ends(value: float, shown: str) -> None:
    """Under 1 % and over 99 % are said so."""
    assert text.probability(value) == shown.replace(" %", f"{SPACE}%")


@pytest.mark.parametrize(
    ("value", "shown"),
    [(0.8, "80 %"), (0.95, "95 %"), (1 - 0.05, "95 %"), (0.999, "99.9 %")],
)
def test_chosen_levels_are_shown_as_chosen(value: float, shown: str) -> None:
    """A level of the policy is not rounded."""
    assert text.share(value) == shown.replace(" %", f"{SPACE}%")


def test_bias_carries_its_sign_and_unit() -> None:
    """A bias has three decimals, a sign and, where asked, its unit."""
    assert text.bias(0.1) == "+0.100"
    assert text.bias_with_unit(-0.1) == f"\u22120.100{SPACE}%{SPACE}air"
    assert text.interval(-0.01, 0.02) == "\u22120.010 to +0.020"


def test_plain_numbers() -> None:
    """Numbers of the policy read as they would be written by hand."""
    assert [text.plain(x) for x in (0.1, 5.0, 0.0, -2.50, 1826, 1e-6)] == [
        "0.1",
        "5",
        "0",
        "\u22122.5",
        "1826",
        "0.000001",
    ]


def test_small_rates() -> None:
    """To 0.01 %, never 0, and nothing made up where nothing is known."""
    shown = [text.rate(value).replace("\u00a0", " ") for value in (0.0027, 0.05, 1e-6, None)]
    assert shown == ["0.27 %", "5 %", "under 0.01 %", text.CANNOT_SAY]


def test_p_values() -> None:
    """A p value keeps two digits and is never shown as zero."""
    assert [text.p_value(p) for p in (0.0, 0.0009, 0.0042, 0.25, 1.0)] == [
        "under 0.001",
        "under 0.001",
        "0.004",
        "0.25",
        "1.00",
    ]


def test_dates_counts_and_lists() -> None:
    """Dates, counts and lists read as English."""
    assert text.day(date(2025, 3, 4)) == f"4{SPACE}Mar{SPACE}2025"
    assert text.day(None) == text.CANNOT_SAY
    assert text.count(1, "visit") == "1 visit"
    assert text.count(1562, "reading") == "1\u202f562 readings"
    assert text.listed(["a", "b", "c"]) == "a, b and c"
    assert text.listed([]) == ""
    assert text.years(1826) == "5 years"
    assert text.years(365) == "1 year"
    assert text.shortened("abcdef", longest=4) == "abc…"
