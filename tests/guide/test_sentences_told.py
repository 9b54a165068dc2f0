"""Every sentence of a reason, action or obligation has an entry that says what it rests on."""

import re
from pathlib import Path

from drift.guide.texts import topic
from tests.test_house_words import strings

ROOT = Path(__file__).resolve().parents[2]
# Where the words of reasons, actions and obligations are made.
MAKERS = ("obligation_words", "obligations", "briefs", "level_changes", "noted_rows", "barred_uses")
# Of fewer words a string is a part of a sentence, told with the others.
LEAST_WORDS = 3


def entries() -> list[str]:
    """Return the words that the table of the guide has entries for."""
    told = topic("standings").text.split("## What each sentence rests on")[1]
    rows = re.findall(r"^\| (.*?) \| (.+?) \|$", told, re.MULTILINE)[2:]
    assert all(len(why.split()) > 2 for _, why in rows)
    return [words.strip() for keys, _ in rows for words in keys.split(" / ")]


def sentences() -> list[str]:
    """Return the sentences that the code makes, "…" for what is filled in."""
    found = [
        re.sub(r"[…{}]+", "…", text.replace("\u00a0", " ").casefold())
        for name in MAKERS
        for _, text in strings(ROOT / "drift" / "review" / f"{name}.py")
    ]
    return [text for text in found if len(re.findall(r"[a-z]{2,}|a\b", text)) >= LEAST_WORDS]


def covers(entry: str, sentence: str) -> bool:
    """Say whether an entry's words stand in a sentence."""
    return entry in sentence


def test_every_sentence_has_an_entry() -> None:
    """A new sentence without one fails here."""
    known = entries()
    lost = [text for text in sentences() if not any(covers(one, text) for one in known)]
    assert lost == []


def test_every_entry_is_of_a_sentence_that_is_made() -> None:
    """Words that no code says any longer are no entry."""
    made = sentences() + [
        text.casefold()
        for name in ("format", "review/obligation_words", "review/briefs")
        for _, text in strings(ROOT / "drift" / f"{name}.py")
    ]
    assert [one for one in entries() if not any(covers(one, text) for text in made)] == []
