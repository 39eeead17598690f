"""Words of numbers, and on observers, by their old names."""

from __future__ import annotations

from morpho.report.words.verdict import observer_words
from morpho.results.wording import counted, number, p_value_words, p_words

__all__ = ["counted", "number", "observer_words", "p_value_words", "p_words"]
