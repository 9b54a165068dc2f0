"""This module spells text so that a terminal shows it and runs none of it."""

import unicodedata

# Controls, marks that turn the order of writing, lone halves of characters, breaks of lines.
_UNSEEN = {"Cc", "Cf", "Cs", "Zl", "Zp"}
_BYTES = range(0xDC80, 0xDD00)


def visible(text: str) -> str:
    """Return `text` in one line, each sign that cannot be seen as its code."""
    if text.isprintable():
        return text
    return "".join(_code(sign) if unicodedata.category(sign) in _UNSEEN else sign for sign in text)


def _code(sign: str) -> str:
    """Return the code of a sign; a byte of a name that is not UTF-8 as that byte."""
    if ord(sign) in _BYTES:
        return f"\\x{ord(sign) - 0xDC00:02x}"
    return sign.encode("unicode_escape").decode("ascii")
