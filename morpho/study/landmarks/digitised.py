"""A study as it was digitised: its elements, their digitisations, and where rows stand."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from morpho.study.reading.problems import Problems
from morpho.study.reading.wording import quoted
from morpho.study.scheme.reading import Scheme
from morpho.wording import listed

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["DIGITISATION", "Digitised", "Study", "each_digitisation", "label_of"]

# What tells one digitisation of an element from another.
DIGITISATION = ("specimen", "replicate", "observer")


@dataclass(frozen=True, eq=False)
class Study:
    """A study as its author wrote it, read."""

    config: StudyConfig
    schemes: dict[str, Scheme]
    specimens: pd.DataFrame
    landmarks: dict[str, pd.DataFrame]  # by element, of those with a scheme


@dataclass(frozen=True)
class Digitised:
    """An element as it was digitised, and what it is held against."""

    config: StudyConfig
    scheme: Scheme
    specimens: pd.DataFrame
    landmarks: pd.DataFrame
    problems: Problems  # at the element

    def at(self, row: pd.Series) -> Problems:
        """For what is found where a landmark of a digitisation stands."""
        return self.problems.at(
            file=self.config.absolute(str(row["file"])),
            line=int(row["line"]),
            element=str(row["element"]),
            specimen=str(row["specimen"]),
            landmark=str(row["landmark"]),
        )


def label_of(replicate: str, observer: str) -> str:
    """Say which digitisation of a specimen is spoken of."""
    given = {"replicate": replicate, "observer": observer}
    parts = [f"{name} {quoted(value)}" for name, value in given.items() if value]
    return f" ({listed(parts)})" if parts else ""


def each_digitisation(landmarks: pd.DataFrame) -> Iterator[tuple[str, str, pd.DataFrame]]:
    """Go over the digitisations of an element: specimen, label and rows."""
    for key, rows in landmarks.groupby(list(DIGITISATION), sort=False):
        specimen, *labels = map(str, key)
        yield specimen, label_of(*labels), rows
