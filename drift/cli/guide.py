"""This module holds the commands that explain: the guide and the reference."""

import click

from drift.cli.explain import tell_markdown
from drift.errors import SourceError
from drift.guide.texts import TOPICS, topic, topics
from drift.ids import did_you_mean

_REFERENCE = ("tables", "data-files", "policy", "commands")


@click.command()
@click.argument("name", required=False, metavar="TOPIC")
def guide(name: str | None) -> None:
    """Explain a task, a page or a word; without TOPIC, list what there is.

    Example: drift guide quarter-day
    """
    if name is None:
        rows = "\n".join(f"| `{one.name}` | {one.title} |" for one in topics())
        tell_markdown(f"| topic | what it explains |\n| --- | --- |\n{rows}")
        return
    found = topic(_known(name, TOPICS, what="topic of the guide"))
    tell_markdown(f"# {found.title}\n\n{found.text}")


@click.command()
@click.argument("part", required=False)
def reference(part: str | None) -> None:
    """Look up tables, data files, choices of a policy and commands; without PART, list the parts.

    Example: drift reference policy
    """
    from drift.report.pages.lookup import reference_parts  # noqa: PLC0415

    if part is None:
        tell_markdown("\n".join(f"- `drift reference {name}`" for name in _REFERENCE))
        return
    wanted = _known(part, _REFERENCE, what="part of the reference")
    tell_markdown(reference_parts()[wanted])


def _known(name: str, names: tuple[str, ...], *, what: str) -> str:
    """Return the one of `names` that is meant, in any case and by a beginning of its own."""
    lower = name.casefold()
    found = [one for one in names if one == lower] or [
        one for one in names if one.startswith(lower)
    ]
    if len(found) == 1:
        return found[0]
    raise SourceError(
        what=f"is no {what}",
        where=name,
        expected=f"one of {', '.join(names)}",
        hint=did_you_mean(name, names),
    )
