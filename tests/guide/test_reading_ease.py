"""The guide and the README are written in plain English, measured by Flesch's reading ease."""

import pytest

from drift.guide.texts import COMMANDS
from tests.guide.reading_ease import ease, sentences, syllables, texts, words

TEXTS = texts()
# Flesch calls 60 to 70 plain English and 50 to 60 fairly difficult.
LEAST = 55.0
# A sentence of more words must be taken apart by its reader.
MOST_WORDS = 40


@pytest.mark.parametrize("name", TEXTS)
def test_a_text_reads_easily(name: str) -> None:
    """Each text as a whole, and printed."""
    found = ease(TEXTS[name])
    print(f"{name}: reading ease {found.flesch:.0f}, {found.words} words")
    assert found.words > 100
    assert found.flesch >= LEAST


@pytest.mark.parametrize("name", TEXTS)
def test_no_sentence_must_be_taken_apart(name: str) -> None:
    """Of the README and of every topic."""
    long = [one for one in sentences(TEXTS[name]) if len(words(one)) > MOST_WORDS]
    assert long == []


def test_help_of_commands_reads_easily() -> None:
    """All of it as one text."""
    assert ease(COMMANDS.read_text(encoding="utf-8")).flesch >= LEAST


def test_hard_and_easy_texts_differ_as_published() -> None:
    """Flesch's ends of the scale: words of one syllable in short sentences, and the contrary."""
    assert ease("The cat sat on the mat. It was a cat.").flesch > 100
    hard = "Notwithstanding considerable institutional heterogeneity, organisational stability " * 3
    assert ease(hard + ".").flesch < 0


@pytest.mark.parametrize(
    ("word", "count"), [("meter", 2), ("calibration", 4), ("air", 1), ("initial", 3), ("AM's", 1)]
)
def test_syllables_are_those_of_the_dictionary(word: str, count: int) -> None:
    """As a speaker says them."""
    assert syllables(word) == count


def test_what_is_not_read_as_a_sentence_is_left_out() -> None:
    """Code blocks, tables, headings and pictures; links count by their words."""
    told = ["# Head", "See [the page](a.md). ![x](y.png)", "```sh\ndrift x\n```", "| a | b |"]
    text = "\n\n".join([*told, "- One.\n- Two"])
    assert sentences(text) == ["See the page.", "One.", "Two"]
