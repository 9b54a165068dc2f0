"""Words that people read are plain: some forms are never used, whatever the sentence.

Looked through are the strings of every module (its docstrings not, but those of commands, which
are their help) and the text of the templates.
"""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.source_trees import MODULES, ROOT, module_name, tree_of

# What is never written, and what is written instead.
NEVER = {
    r"told (?:from|apart)\b": "kept apart, separated, unlike chance",
    r"cannot be told\b": "cannot be said",
    r"\bwent away\b": "was left",
    r"\b(?:come|came) by\b": "found, worked out",
    r"\bno one touched\b": "without adjustments",
    r"\buntouched\b": "without adjustments",
    r"\b(?:rule|chart)s? spoke\b": "gave a signal",
    r"\bspoken of\b": "reported",
    r"\bspells?\b": "stretch in tolerance",
    r"\brighted\b": "put right",
    r"\brefut": "contradict",
    r"\blike (?:meters|series)\b": "similar meters",
    r"\b(?:of|and) its like\b": "similar meters",
    r"\bleaves? .{0,40}possible\b": "may still be",
    r"\bP\(out\)": "the chance that it is out",
    r"√F": "what chance explains",
    r"\bhad become\b": "how far it had drifted",
    r"\bborne? out\b": "agree with",
    r"\bdrift and dispersion\b": "drift and scatter",
    r"\bdisagreeance\b|\butilis|\butiliz": "use",
    r"\bwhatsoever\b|\bhereby\b|\bthereof\b|\bwherein\b": "a plain word",
}


def docstrings(tree: ast.Module, *, of_commands: bool) -> set[int]:
    """Return the ids of the nodes that are docstrings, those of functions of commands left out."""
    owners = (ast.Module, ast.ClassDef, ast.FunctionDef)
    return {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, owners)
        and node.body
        and isinstance(node.body[0], ast.Expr)
        and not (of_commands and isinstance(node, ast.FunctionDef) and node.decorator_list)
    }


def strings(path: Path) -> Iterator[tuple[int, str]]:
    """Yield line and text of each string of several words; what is filled in stands as "…"."""
    tree = tree_of(module_name(path))
    passed = docstrings(tree, of_commands="cli" in path.parts)
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            passed |= {id(part) for part in ast.walk(node) if part is not node}
            parts = [part.value if isinstance(part, ast.Constant) else "…" for part in node.values]
            text = "".join(map(str, parts))
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            text = node.value
        else:
            continue
        if id(node) not in passed and len(text.split()) > 2:
            yield node.lineno, text


def template_text(path: Path) -> str:
    """Return a template without its tags, statements and styles; lines stay where they are."""
    text = path.read_text(encoding="utf-8")
    gone = r"<style.*?</style>|<script.*?</script>|<[^>]*>|\{%.*?%\}|\{#.*?#\}|\{\{.*?\}\}"
    return re.sub(gone, lambda found: " " + "\n" * found[0].count("\n"), text, flags=re.DOTALL)


def read_by_people() -> Iterator[tuple[str, str]]:
    for path in MODULES:
        for line, text in strings(path):
            yield f"{path.relative_to(ROOT)}:{line}", text
    for path in sorted((ROOT / "reports").glob("*.jinja2")):
        for line, text in enumerate(template_text(path).splitlines(), start=1):
            if text.strip():
                yield f"{path.relative_to(ROOT)}:{line}", text


def offences(places: Iterator[tuple[str, str]]) -> list[str]:
    """Return place, word and house form of whatever is never written."""
    return [
        f"{place}: {found[0]!r}, better: {instead}"
        for place, text in places
        for never, instead in NEVER.items()
        if (found := re.search(never, text, re.IGNORECASE))
    ]


def test_no_string_that_people_read_uses_what_is_never_written() -> None:
    """Sentences, captions, notes, messages, help and templates."""
    assert offences(read_by_people()) == []


@pytest.mark.parametrize(
    "sentence",
    [
        "in bold where told from chance",
        "the biases it went away with pass",
        "17 of 40 spells in tolerance ended",
        "P(out) reached 5 % on 4 Sep 2026",
        "3.10 times, limit √F 1.80",
    ],
)
def test_what_was_once_written_is_found(sentence: str) -> None:
    """The search finds sentences that stood on pages before."""
    assert len(offences(iter([("a page", sentence)]))) == 1


def test_strings_and_templates_are_found() -> None:
    """There are thousands of words to look through, those in f-strings and in help among them."""
    texts = [text for _, text in read_by_people()]
    assert sum(len(text.split()) for text in texts) > 10_000
    assert any("it now reads … at" in text for text in texts)
    assert any(text.startswith("Judge the forecaster") for text in texts)
