"""Letters that the figures cannot draw."""

from __future__ import annotations

import unicodedata

from morpho.study.landmarks.digitised import Study
from morpho.study.reading.problems import Problems
from morpho.study.reading.wording import quoted
from morpho.wording import listed

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


def check_letters(study: Study, problems: Problems) -> None:
    """Note the names that come out as boxes in figures, once a file."""
    table = study.specimens
    by_file = {study.config.specimens_file: [*table["taxon"], *table.index, *table["stage"]]}
    for element, scheme in study.schemes.items():
        towards = [axis.towards for axis in scheme.axes.values()]
        by_file.setdefault(study.config.scheme_path(element), []).extend(towards)
    for file, names in by_file.items():
        boxed = [name for name in dict.fromkeys(names) if not is_drawn(name)]
        if boxed:
            problems.note(
                f"The letters of {listed(map(quoted, boxed), most=3)} are not in the figures' "
                "font: they come out as boxes in PNG and PDF; SVG and tables keep them.",
                "Write these names in Latin letters if the figures are to show them.",
                file=file,
            )
