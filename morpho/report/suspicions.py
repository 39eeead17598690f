"""Sentences on digitisations that screening suspects: of the query, and of known specimens."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from morpho.inference.robustness.stability import ALL_SUSPECTS
from morpho.results.wording import number, together
from morpho.study.reading.wording import listed, quoted

__all__ = [
    "check_words", "hangs_on", "known_suspects", "known_suspicions", "query_suspicions",
    "suspect_names", "without_suspects",
]  # fmt: skip

# Words that a proposal of `inference.data.screening` may begin with; else it begins with names.
_BEGINNINGS = ("It", "Left", "These")
# Known specimens that are named.
_NAMED = 8
# Landmarks that are named.
_MARKS = 3


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


def _slip(part: pd.DataFrame) -> str:
    """What is suspected of one specimen, in a few words."""
    told = []
    for row in part.to_dict("records"):
        marks = [mark for mark in str(row["landmarks"]).split(";") if mark]
        named = together(marks) if len(marks) <= _MARKS else f"{len(marks)} landmarks"
        told.append(
            {
                "mirror": "wrong side or mirrored",
                "swapped": f"{named} exchanged",
                "displaced": f"{named} out of place",
                "unusual": "unusual",
                "size": "its size",
            }[row["kind"]]
        )
    return " and ".join(dict.fromkeys(told))


def suspect_names(suspicions: pd.DataFrame) -> str:
    """Name specimens whose digitisations are suspected, each with what is suspected of it.

    Parameters
    ----------
    suspicions : DataFrame
        Rows of the table `suspicions`.

    Returns
    -------
    str
        As in: A (wrong side or mirrored) and B (neck out of place); blank without rows.
    """
    each = [
        f"{specimen} ({_slip(part)})"
        for specimen, part in suspicions.groupby("specimen", sort=True)
    ]
    more = len(each) - _NAMED
    return together(each[:_NAMED] + ([f"{more} more"] if more > 0 else []))


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
    return (
        f" Of the known specimens, screening suspects {suspect_names(suspicions)}: a slip there "
        "would widen or move the taxon that a query is held against."
    )


def hangs_on(suspicions: pd.DataFrame, tried: pd.DataFrame) -> str:
    """Name the suspects among the known specimens without whom a verdict turns.

    Parameters
    ----------
    suspicions : DataFrame
        As in `known_suspicions`.
    tried : DataFrame
        As in `without_suspects`.

    Returns
    -------
    str
        A clause; it names all of them where the verdict turns only without all.
    """
    alone = suspicions["specimen"].isin(tried.loc[tried["turns"], "setting"])
    named = suspect_names(suspicions[alone] if alone.any() else suspicions)
    return f"hangs on known specimens whose digitisations are suspected: {named}"


def _outcome(row: Mapping[Any, Any]) -> str:
    """What the procedure says without suspects."""
    if row["ground"] in ("no_model", "few_specimens"):
        return "nothing, as too few specimens are left to judge by"
    if row["ground"] == "taxon_lost":
        return "undecided, as a taxon is left without any specimen"
    if row["verdict"] == "inside":
        return f"inside (kept by {together(row['kept_by'].split('; '))})"
    return str(row["verdict"])


def without_suspects(tried: pd.DataFrame) -> str:
    """What the procedure says without the suspects that turn a verdict.

    Parameters
    ----------
    tried : DataFrame
        Rows of the table `stability` on a query without suspected known specimens, with a
        column `turns`: whether that turns its verdict.

    Returns
    -------
    str
        Clauses, as in: without A it says inside (kept by x); without all suspects it says outside.
    """
    outcomes: dict[str, list[str]] = {}
    for row in tried[tried["turns"]].to_dict("records"):
        outcomes.setdefault(_outcome(row), []).append(str(row["setting"]))
    parts = []
    for outcome, settings in outcomes.items():
        every = ALL_SUSPECTS in settings
        single = [name for name in settings if name != ALL_SUSPECTS]
        more = len(single) - _NAMED
        named = single[:_NAMED] + ([f"{more} more"] if more > 0 else [])
        who = together([*named, *(["all suspects"] if every else [])], "or")
        parts.append(f"without {who} it says {outcome}")
    return "; ".join(parts)


def known_suspects(
    row: Mapping[str, Any], suspicions: pd.DataFrame | None, tried: pd.DataFrame | None
) -> str:
    """Whether a verdict holds without the known specimens whose digitisations are suspected.

    Parameters
    ----------
    row : mapping
        Row of the table `conclusions`.
    suspicions : DataFrame or None
        As in `known_suspicions`.
    tried : DataFrame or None
        As in `without_suspects`.

    Returns
    -------
    str
        Sentences with a space before them; blank where nothing is suspected or was tried.
    """
    if suspicions is None or tried is None or suspicions.empty or tried.empty:
        return ""
    clauses = without_suspects(tried)
    if row["tempered_by"] == "suspected_specimens":
        return (
            f" By itself the procedure says {row['verdict_before']}; {clauses}. So nothing is "
            "concluded until they are checked."
        )
    if clauses:
        said = clauses.replace(" it says ", " the procedure says ", 1)
        return f" {said[0].upper()}{said[1:]}: check them first."
    count = suspicions["specimen"].nunique()
    who = (
        "the known specimen whose digitisation is suspected"
        if count == 1
        else f"the {count} known specimens whose digitisations are suspected, each or all of them"
    )
    kept = ""
    if row["verdict_before"] == "inside":
        taxa = str(tried["kept_by"].iloc[-1]).split("; ")
        which = "that one" if count == 1 else "all of them"
        kept = f" Without {which} it is kept by {together(taxa)}."
    return (
        f" {row['verdict_before'].capitalize()} holds without {who}: "
        f"{suspect_names(suspicions)}.{kept}"
    )
