"""What changed since the last complete run, in words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from morpho.report.words.writing import as_plain, said

__all__ = ["change_words"]


def change_words(changes: Mapping[str, Iterable[Mapping[str, Any]]]) -> dict[str, list[str]]:
    """Say what changed between two runs."""
    return {
        element: [as_plain(said("changes", "change", row)) for row in rows]
        for element, rows in changes.items()
    }
