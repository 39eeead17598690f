"""Names cut to the room that a figure has for them."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from matplotlib.figure import Figure
from matplotlib.text import Text

from morpho.drawing.style import short

__all__ = ["fit_names", "fitted", "p_words"]


def p_words(p: float) -> str:
    """A p-value in as few letters as can be."""
    if p != p:
        return "–"
    return "< 0.001" if p < 0.001 else f"{p:.3f}"


def fit_names(text: Text, write: Callable[[int], str], longest: int, room: float) -> None:
    """Write words with names in them, the names cut until the words fit the room, in pixels.

    `write` gives the words with names of so many characters at most, `longest` to begin with.
    """
    for characters in range(longest, 2, -1):
        text.set_text(write(characters))
        # at other resolutions letters are up to a seventh wider
        if 1.15 * text.get_window_extent().width <= room:
            return


def fitted(
    figure: Figure, names: Sequence[str], longest: int, inches: float, after: Sequence[str] = ()
) -> list[str]:
    """Names for the rows of a figure, cut where they are longer than the room there is.

    In `inches` each name must have room and what follows `after` it, which is not cut.
    """
    text = figure.text(0, 0, "", fontsize=7, weight="bold", in_layout=False)
    cut: list[str] = []

    def write(characters: int) -> str:
        more = after[len(cut)] if after else ""
        return short(names[len(cut)], characters) + more

    for _ in names:
        fit_names(text, write, longest, inches * figure.dpi)
        cut.append(text.get_text())
    text.remove()
    return cut
