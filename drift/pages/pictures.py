"""This module joins a picture and its words to a figure of a page; it draws and words nothing."""

from drift.figures.canvas import Picture
from drift.figures.drawing import marks_svg
from drift.pages.data import Figure


def pictured(
    picture: Picture,
    *,
    name: str,
    title: str,
    label: str,
    shows: str,
    conclude: str,
    key: tuple[str, ...],
) -> Figure:
    """Return the figure that a picture is, with the words of `Figure`."""
    return Figure(
        name=name,
        title=title,
        svg=marks_svg(picture),
        words=picture.words,
        width=picture.width,
        height=picture.height,
        label=label,
        shows=shows,
        conclude=conclude,
        key=key,
    )
