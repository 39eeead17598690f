"""One digitisation after another, what messages call it, and where its landmarks stand."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pandas as pd

from morpho.study.reading.problems import Where
from morpho.study.reading.wording import quoted
from morpho.wording import listed

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["DIGITISATION", "each_digitisation", "label_of", "where_of"]

# What tells one digitisation of an element from another.
DIGITISATION = ("specimen", "replicate", "observer")


def label_of(replicate: str, observer: str) -> str:
    """Say which digitisation of a specimen is spoken of.

    Parameters
    ----------
    replicate, observer : str

    Returns
    -------
    str
        In brackets after a blank; blank where there are no labels.
    """
    given = {"replicate": replicate, "observer": observer}
    parts = [f"{name} {quoted(value)}" for name, value in given.items() if value]
    return f" ({listed(parts)})" if parts else ""


def where_of(config: StudyConfig, row: pd.Series) -> Where:
    """Say where a landmark of a digitisation stands.

    Parameters
    ----------
    config : StudyConfig
    row : pandas.Series
        Of the element's rows.

    Returns
    -------
    dict
    """
    return {
        "file": config.absolute(str(row["file"])),
        "line": int(row["line"]),
        "element": str(row["element"]),
        "specimen": str(row["specimen"]),
        "landmark": str(row["landmark"]),
    }


def each_digitisation(landmarks: pd.DataFrame) -> Iterator[tuple[str, str, pd.DataFrame]]:
    """Go over the digitisations of an element.

    Parameters
    ----------
    landmarks : pandas.DataFrame

    Yields
    ------
    specimen, label : str
    rows : pandas.DataFrame
    """
    for key, rows in landmarks.groupby(list(DIGITISATION), sort=False):
        specimen, *labels = map(str, key)
        yield specimen, label_of(*labels), rows
