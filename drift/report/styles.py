"""This module makes the style sheets and the script that pages share, and says where they lie.

A page with figures has files beside it anyway, and takes them from there: `shared_files`.  A page
without, or one to be mailed by itself, holds them.
"""

import json
import re
from functools import cache

from drift.folders import report
from drift.report.templates import environment

# What every page is laid out by, and further what pages of one kind with figures are.
_COMMON = ("style.css", "figures.css")
_OF_KINDS = ("dossier.css", "evidence.css", "fleet.css")
# Each file begins so; `drift.report.own_files` knows it by that.
_STYLE_MARK = "/* drift: how pages are laid out */\n"
_SCRIPT_MARK = "/* drift: the script of every page */\n"


def shared_files() -> dict[str, str]:
    """Return what pages with figures have in common, by its name in ``assets/``."""
    sheets = {"page.css": style_sheet()}
    sheets |= {name: _small(report(name)) for name in _OF_KINDS}
    marked = {name: f"{_STYLE_MARK}{sheet}\n" for name, sheet in sheets.items()}
    return marked | {"page.js": _SCRIPT_MARK + bare_script("page.js")}


def shared_sheets(sheet: str) -> tuple[str, ...]:
    """Return the names in ``assets/`` of the style sheets of a page; `sheet` is that of its kind.

    Raises
    ------
    KeyError
        If pages with figures have no sheet of that name.
    """
    if sheet and sheet not in _OF_KINDS:
        raise KeyError(sheet)
    return ("page.css", sheet) if sheet else ("page.css",)


@cache
def style_sheet(*further: str) -> str:
    """Return the style sheet of every page with the palette of the figures, and further ones."""
    return _small("\n".join((palette(), *map(report, (*_COMMON, *further)))))


def _small(style: str) -> str:
    """Return a style sheet without comments and the white space that means nothing."""
    bare = re.sub(r"\s+", " ", re.sub(r"/\*.*?\*/", "", style, flags=re.DOTALL))
    # What stands in quotes is shown, and keeps its blanks.
    tight = re.sub(r'("[^"]*")| ?([{};]) ?|: ', lambda at: at[1] or at[2] or ":", bare)
    return tight.replace(";}", "}")


@cache
def palette() -> str:
    """Return the colours of the theme as rules of a style sheet."""
    theme = json.loads(report("theme.json"))
    template = environment().get_template("palette.css.jinja2")
    return template.render(light=theme["light"], dark=theme["dark"])


@cache
def bare_script(name: str) -> str:
    """Return a script of reports/ without indents and comments that have lines of their own."""
    told = re.sub(r"^ */\*.*?\*/$", "", report(name), flags=re.MULTILINE | re.DOTALL)
    return re.sub(r"^\s+", "", told, flags=re.MULTILINE)
