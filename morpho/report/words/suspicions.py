"""Digitisations that screening suspects: of the query, and of known specimens."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd
from markupsafe import Markup

from morpho.inference.robustness.stability import ALL_SUSPECTS
from morpho.report.words.writing import as_plain, said
from morpho.study.reading.wording import quoted
from morpho.wording import listed

__all__ = [
    "check_words", "hangs_on", "known_suspects", "known_suspicions", "proposal_words",
    "query_suspicions", "suspect_names", "without_suspects",
]  # fmt: skip


def _told(macro: str, *facts: Any, before: str = "") -> str:
    return before + as_plain(said("suspicions", macro, *facts))


def _suspects(suspicions: pd.DataFrame) -> list[dict[str, Any]]:
    return [
        {"specimen": name, "rows": part.to_dict("records")}
        for name, part in suspicions.groupby("specimen", sort=True)
    ]


def proposal_words(row: Mapping[Any, Any], within: bool = False) -> str:
    """What to look at in a digitisation.

    Parameters
    ----------
    row : mapping
        One row of the table `suspicions`.
    within : bool
        Whether it goes on after a colon.

    Returns
    -------
    str
        Sentences, plain text.
    """
    return _told("proposal", row, within)


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
    label = listed(parts) if repeated and parts else ""
    return _told("found", row, label), _told("remedy")


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
    if suspicions.empty:
        return ""
    return _told("of_query", suspicions.to_dict("records"), before=" ")


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
    return _told("names", _suspects(suspicions))


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
    return "" if suspicions.empty else _told("of_known", _suspects(suspicions), before=" ")


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
    return _told("hangs_on", _suspects(suspicions[alone] if alone.any() else suspicions))


def _outcomes(tried: pd.DataFrame) -> list[dict[str, Any]]:
    """What the procedure says where a verdict turns, each with the suspects it is without."""
    found: dict[Markup, list[str]] = {}
    for row in tried[tried["turns"]].to_dict("records"):
        found.setdefault(said("suspicions", "outcome", row), []).append(str(row["setting"]))
    return [
        {
            "outcome": outcome,
            "single": [name for name in settings if name != ALL_SUSPECTS],
            "every": ALL_SUSPECTS in settings,
        }
        for outcome, settings in found.items()
    ]


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
    return _told("without", _outcomes(tried))


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
    kept_by = str(tried["kept_by"].iloc[-1]).split("; ")
    return _told("holds", row, _suspects(suspicions), _outcomes(tried), kept_by, before=" ")
