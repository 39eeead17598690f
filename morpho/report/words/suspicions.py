"""Digitisations that screening suspects: of the query, and of known specimens."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd
from markupsafe import Markup

from morpho.report.words.writing import as_plain, said
from morpho.study.reading.wording import quoted
from morpho.wording import listed

__all__ = ["check_words", "hangs_on", "known_suspects"]


def check_words(row: Mapping[Any, Any], *, repeated: bool = False) -> tuple[str, str]:
    """A suspected slip as the check tells it; one of several digitisations of a bone is named."""
    parts = [f"{name} {quoted(row[name])}" for name in ("replicate", "observer") if row[name]]
    label = listed(parts) if repeated and parts else ""
    found, remedy = said("suspicions", "found", row, label), said("suspicions", "remedy")
    return as_plain(found), as_plain(remedy)


def hangs_on(suspicions: pd.DataFrame, tried: pd.DataFrame) -> Markup:
    """Name the suspects among the known specimens without whom a verdict turns: a clause.

    `tried` are the rows of `stability` without suspects. All are named where it turns only without
    all of them.
    """
    alone = suspicions["specimen"].isin(tried.loc[tried["turns"], "setting"])
    named = suspicions[alone] if alone.any() else suspicions
    return said("suspicions", "hangs_on", named.to_dict("records"))


def _outcomes(tried: pd.DataFrame) -> list[dict[str, Any]]:
    """What the procedure says where a verdict turns, each with the suspects it is without."""
    # not above: the check tells suspicions too, and need not wait for this
    from morpho.inference.robustness.stability import ALL_SUSPECTS

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


def known_suspects(row: Mapping[str, Any], suspicions: pd.DataFrame, tried: pd.DataFrame) -> Markup:
    """Whether a verdict holds without suspected known specimens; blank where there are none."""
    if suspicions.empty or tried.empty:
        return Markup()
    kept_by = str(tried["kept_by"].iloc[-1]).split("; ")
    return said(
        "suspicions", "holds", row, suspicions.to_dict("records"), _outcomes(tried), kept_by
    )
