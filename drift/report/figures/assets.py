"""This module writes what pages with figures share beside them: style sheets and scripts."""

import json
from collections import Counter
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import vl_convert

from drift.folders import report
from drift.report.figures.registry import FIGURES
from drift.report.figures.rows import unchecked
from drift.report.figures.theme import chart_config, with_variables
from drift.report.kept_texts import kept_text
from drift.report.styles import shared_files

# Each file begins so; `drift.report.own_files` knows it by that.
_LIBRARY_MARK = "/* drift: the library that draws figures (Vega, Vega-Lite, vega-embed) */\n"
_FIGURES_MARK = "/* drift: every figure, and how it is drawn and read */\n"

# Signs from which a part of a specification is worth a name.
_WORTH_A_NAME = 30


def write_assets(folder: Path) -> list[str]:
    """Write style sheets and scripts below a folder of pages; return their names.

    They have the same bytes each time.

    Raises
    ------
    OSError
        If one cannot be written.
    """
    texts = {"vega.js": library_script(), "figures.js": figures_script(), **shared_files()}
    (folder / "assets").mkdir(parents=True, exist_ok=True)
    for name, text in texts.items():
        (folder / "assets" / name).write_text(text, encoding="utf-8", newline="\n")
    return [f"assets/{name}" for name in texts]


@cache
def library_script() -> str:
    """Return the script of the drawing library; no text in it ends a script element."""
    return kept_text("library", _library)


def _library() -> str:
    bundle: str = vl_convert.javascript_bundle()  # type: ignore[call-arg] # its stub is wrong
    return _LIBRARY_MARK + bundle.replace("</script", "<\\/script") + "\n"


@cache
def figures_script() -> str:
    """Return the specifications of all figures with the script that draws and reads them.

    It is one closure: the library declares short names for everybody.
    """
    return kept_text("figures", _figures)


def _figures() -> str:
    charts = {name: unchecked(figure).to_dict(validate=False) for name, figure in FIGURES.items()}
    for chart in charts.values():
        # Each would carry the library's default theme and the address of its schema.
        chart.pop("config", None)
        chart.pop("$schema", None)
    lines = _constants({"SPECS": with_variables(charts), "CONFIG": with_variables(chart_config())})
    parts = ("(() => {", *lines, report("figures.js"), report("reading.js"), "})();")
    return _FIGURES_MARK + "\n".join(parts) + "\n"


def _constants(values: dict[str, dict[str, object]]) -> list[str]:
    """Return constants of a script, in which a part that they hold again and again stands once."""
    met = Counter(_literal(part) for part in _parts(values))
    again = sorted((text for text, times in met.items() if times > 1), key=len)
    worth_it = (text for text in again if len(text) > _WORTH_A_NAME)
    names = {text: f"part{number}" for number, text in enumerate(worth_it)}

    def written(value: object, *, named: bool = True) -> str:
        if isinstance(value, list):
            return f"[{','.join(map(written, value))}]"
        if not isinstance(value, dict):
            return _literal(value)
        if named and (name := names.get(_literal(value))):
            return name
        return f"{{{','.join(f'{_literal(key)}:{written(one)}' for key, one in value.items())}}}"

    # Parts of parts are shorter than these, and stand before them.
    parts = {name: written(json.loads(text), named=False) for text, name in names.items()}
    whole = {name: written(value) for name, value in values.items()}
    return [f"const {name} = {text};" for name, text in (parts | whole).items()]


def _parts(value: object) -> Iterator[dict[str, object]]:
    """Yield every object within a value, however deep."""
    inside = [*value.values()] if isinstance(value, dict) else value
    for one in inside if isinstance(inside, list) else ():
        if isinstance(one, dict):
            yield one
        yield from _parts(one)


def _literal(value: object) -> str:
    """Return a value as it stands in a script."""
    return json.dumps(value, allow_nan=False, separators=(",", ":")).replace("<", "\\u003c")
