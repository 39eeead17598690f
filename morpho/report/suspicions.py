"""Sentences on digitisations that screening suspects: of the query, and of known specimens."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from morpho.report.marked import together
from morpho.report.words import number
from morpho.study.wording import listed, quoted

__all__ = ["check_words", "known_suspicions", "query_suspicions"]

# Words that a proposal of `morpho.inference.screening` may begin with; else it begins with names.
_BEGINNINGS = ("It", "Left", "These")
# Known specimens that are named.
_NAMED = 8


def _inside(text: str) -> str:
    """A sentence as it goes on after a colon; names stay as they are."""
    first = text.split(" ", 1)[0]
    return text[:1].lower() + text[1:] if first in _BEGINNINGS else text


def _how_much(row: Mapping[Any, Any]) -> str:
    """How far a slip of the whole, or of names, puts the digitisation from its taxon."""
    if row["kind"] not in ("mirror", "swapped"):
        return ""
    return (
        f" It lies {number(row['distance_before'])} usual deviations from the nearest taxon, and "
        f"{number(row['distance_after'])} once that is mended."
    )


def check_words(row: Mapping[Any, Any], *, repeated: bool = False) -> tuple[str, str]:
    """A suspected slip as the check of the study's files tells it.

    Parameters
    ----------
    row : mapping
        One row of the table `suspicions`.
    repeated : bool
        Whether the specimen has other digitisations, so that this one must be named.

    Returns
    -------
    found, remedy : str
    """
    parts = [f"{name} {quoted(row[name])}" for name in ("replicate", "observer") if row[name]]
    label = f" ({listed(parts)})" if repeated and parts else ""
    found = f"A slip is suspected in the digitisation{label}: {_inside(str(row['proposal']))}"
    return found + _how_much(row), (
        "Nothing was changed, and it takes part as it is: put it right before the study is run, "
        "or look at the bone again and leave it."
    )


def query_suspicions(suspicions: pd.DataFrame) -> str:
    """What to check in the digitisation of a query before its verdict is read.

    Parameters
    ----------
    suspicions : DataFrame
        Rows of the table `suspicions` on the query.

    Returns
    -------
    str
        Sentences with a space before them; blank where nothing is suspected.
    """
    parts = []
    for i, row in enumerate(suspicions.to_dict("records")):
        which = f" ({row['replicate']})" if row["replicate"] else ""
        begin = f"Check the digitisation{which} first" if i == 0 else f"Check also{which}"
        parts.append(f" {begin}: {_inside(str(row['proposal']))}{_how_much(row)}")
    return "".join(parts)


def known_suspicions(suspicions: pd.DataFrame) -> str:
    """Name known specimens whose digitisations are suspected.

    Parameters
    ----------
    suspicions : DataFrame
        Rows of the table `suspicions` on the known specimens that a query is judged by.

    Returns
    -------
    str
        A sentence with a space before it; blank where nothing is suspected.
    """
    if suspicions.empty:
        return ""
    each = []
    for specimen, part in suspicions.groupby("specimen", sort=True):
        marks = [m for text in part["landmarks"] for m in str(text).split(";") if m]
        kinds = " and ".join(dict.fromkeys(part["kind"]))
        marks = list(dict.fromkeys(marks))
        where = f": {', '.join(marks)}" if 0 < len(marks) <= 3 else ""
        each.append(f"{specimen} ({kinds}{where})")
    more = len(each) - _NAMED
    named = each[:_NAMED] + ([f"{more} more"] if more > 0 else [])
    return (
        f" Of the known specimens, screening suspects {together(named)}: a slip there would "
        "widen or move the taxon that a query is held against."
    )
