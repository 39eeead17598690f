"""Whether the data can be trusted: facts of an element for the words of trust.jinja."""

from __future__ import annotations

from typing import Any

from morpho.report.words.writing import as_plain, paragraphs, said
from morpho.results.analysed import Analysed

__all__ = ["sample_words", "trust_words"]


def sample_words(element: Analysed) -> list[str]:
    """Sentences on who was analysed and on what."""
    return [as_plain(part) for part in paragraphs(said("trust", "sample", element))]


def _lines(element: Analysed) -> list[dict[Any, Any]]:
    """Curves and patches with estimated points: how many of each, by specimen and cause."""
    table = element.tables["estimated_points"]
    table = table[table["kind"] != "landmark"].astype({"point": str})
    table = table.assign(line=table["point"].str.replace(r"\.\d+$", "", regex=True))
    counts = table.groupby(["specimen", "line", "cause", "missing_ends"]).size()
    return counts.rename("points").reset_index().to_dict("records")


def trust_words(element: Analysed, alpha: float) -> list[str]:
    """Sentences for the section on the data of one element, a paragraph each."""
    text = said("trust", "data", element, _lines(element), alpha)
    return [as_plain(part) for part in paragraphs(text)]
