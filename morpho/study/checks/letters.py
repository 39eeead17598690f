"""Letters that the figures cannot draw."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from morpho.study.reading.problems import Problems
from morpho.study.reading.wording import quoted
from morpho.study.scheme.reading import Scheme
from morpho.wording import listed

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["check_letters", "is_drawn"]

# Scripts of which the figures' font, DejaVu Sans, has letters: the first word of a letter's name
# in Unicode. A test holds this against the font itself.
_DRAWN = {
    "ALEF", "ANGSTROM", "ARABIC", "ARMENIAN", "BET", "BLACK-LETTER", "CANADIAN", "CARON", "COPTIC",
    "CYRILLIC", "DALET", "DOUBLE-STRUCK", "EULER", "FEMININE", "GEORGIAN", "GIMEL", "GREEK",
    "HEBREW", "INFORMATION", "KELVIN", "LAO", "LATIN", "LISU", "MASCULINE", "MATHEMATICAL",
    "MICRO", "MODIFIER", "NKO", "OGHAM", "OHM", "OLD", "PLANCK", "ROMAN", "SCRIPT", "SUPERSCRIPT",
    "TIFINAGH", "TURNED",
}  # fmt: skip


def is_drawn(text: str) -> bool:
    """Tell whether the figures have the letters of a text, or nothing of their script.

    Examples
    --------
    >>> is_drawn("Größe, α, Ж"), is_drawn("狐")
    (True, False)
    """
    return all(
        unicodedata.name(letter, "LATIN").split()[0] in _DRAWN
        for letter in text
        if letter.isalpha()
    )


def check_letters(
    config: StudyConfig,
    specimens: pd.DataFrame,
    schemes: Mapping[str, Scheme],
    problems: Problems,
) -> None:
    """Note the names that come out as boxes in figures."""
    names: list[str] = [
        *specimens["taxon"].unique(),
        *specimens.index,
        *specimens["stage"].unique(),
    ]
    _tell(names, config.specimens_file, problems)
    for element, scheme in schemes.items():
        _tell(
            [axis.towards for axis in scheme.axes.values()], config.scheme_path(element), problems
        )


def _tell(names: Iterable[str], file: Path | None, problems: Problems) -> None:
    boxed = [name for name in dict.fromkeys(names) if not is_drawn(name)]
    if boxed:
        problems.note(
            f"The letters of {listed(map(quoted, boxed), most=3)} are not in the figures' font: "
            "they come out as boxes in PNG and PDF; SVG and tables keep them.",
            "Write these names in Latin letters if the figures are to show them.",
            file=file,
        )
