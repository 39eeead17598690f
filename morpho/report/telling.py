"""What is told of each query: words made of the facts that the steps left."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import SimpleNamespace
from typing import Any

import pandas as pd

from morpho.inference.membership.judging import WAYS
from morpho.inference.robustness.stability import without_suspects
from morpho.report.conclusions import conclusion_words, individual_words, summary_words
from morpho.report.phrasing import verdict_reason
from morpho.report.words.trust import set_aside_words

__all__ = ["with_words", "with_words_joined"]

Tables = Mapping[str, pd.DataFrame]

_WAYS = {words: heeded for heeded, words in WAYS.items()}


def _facts(plain: Mapping[str, Any]) -> dict[str, Any]:
    """Facts of a verdict as its words take them, from what the step noted."""
    facts = dict(plain)
    facts["keepers"] = [SimpleNamespace(**one) for one in plain.get("keepers", ())]
    facts["contradictions"] = {
        _WAYS[way]: [SimpleNamespace(**one) for one in found]
        for way, found in plain.get("contradictions", {}).items()
    }
    grounds = plain.get("undecided_grounds", {})
    facts["undecided_grounds"] = {_WAYS[way]: ground for way, ground in grounds.items()}
    return facts


def with_words(element: str, tables: Tables, notes: Mapping[str, Any]) -> dict[str, pd.DataFrame]:
    """Add to the tables of an element what is said of each query.

    Parameters
    ----------
    element : str
    tables : mapping of str to DataFrame
    notes : mapping of str to mapping
        By step.

    Returns
    -------
    dict of str to DataFrame
        The same, with `reason` in `verdicts`, and in `conclusions` `summary` and `paragraph`, which
        begins with it.
    """
    facts = notes["place"]["facts"]
    verdicts = tables["verdicts"].copy()
    share = notes["prepare"]["missing"]["smallest_share"]
    aside = {
        row["specimen"]: {"set_aside_reason": set_aside_words(row, share)}
        for row in tables["specimens"].to_dict("records")
    }
    verdicts["reason"] = [
        verdict_reason(_facts(facts[name]) | aside[name]) for name in verdicts["specimen"]
    ]

    def of(table: str, name: str) -> pd.DataFrame:
        return tables[table][tables[table]["specimen"] == name]

    specimens = tables["specimens"]
    judged_by = specimens.loc[(specimens["role"] == "known") & specimens["used"], "specimen"]
    suspicions = tables["suspicions"]
    of_known = suspicions[suspicions["specimen"].isin(judged_by)]
    by_name = {row["specimen"]: row for row in verdicts.to_dict("records")}
    conclusions = tables["conclusions"].copy()
    summaries, paragraphs = [], []
    for row in conclusions.to_dict("records"):
        name = row["specimen"]
        verdict = {str(column): value for column, value in by_name[name].items()}
        suspected, without = of("suspicions", name), without_suspects(of("stability", name))
        told = {str(column): value for column, value in row.items()}
        summaries.append(summary_words(told, element, verdict, suspected, of_known, without))
        paragraphs.append(
            conclusion_words(
                told,
                element,
                verdict,
                of("trajectories", name),
                of("stability_summary", name),
                of("specimens_to_decide", name),
                tables["calibration_summary"],
                suspected,
                of_known,
                without,
            )
        )
    conclusions["summary"], conclusions["paragraph"] = summaries, paragraphs
    return dict(tables) | {"verdicts": verdicts, "conclusions": conclusions}


def with_words_joined(joined: Tables, conclusions: Mapping[str, pd.DataFrame]) -> Tables:
    """Add to the tables of all elements what is said of each individual.

    Parameters
    ----------
    joined : mapping of str to DataFrame
    conclusions : mapping of str to DataFrame
        Table `conclusions` of each element.

    Returns
    -------
    mapping of str to DataFrame
        The same, with `paragraph` in `individuals`.
    """
    evidence = joined["individual_evidence"]
    individuals = joined["individuals"].copy()
    individuals["paragraph"] = [
        _of_individual(row, evidence[evidence["specimen"] == row["specimen"]], conclusions)
        for row in individuals.to_dict("records")
    ]
    return dict(joined) | {"individuals": individuals}


def _of_individual(
    row: Mapping[Any, Any], evidence: pd.DataFrame, conclusions: Mapping[str, pd.DataFrame]
) -> str:
    elements: Sequence[str] = sorted(set(evidence["element"]))
    verdicts = [
        table.loc[table["specimen"] == row["specimen"], "verdict"].iloc[0]
        for table in (conclusions[element] for element in elements)
    ]
    judged = pd.DataFrame({"element": elements, "verdict": verdicts})
    doubted = sorted(set(evidence.loc[evidence["doubted"], "element"]))
    combined = evidence.dropna(subset="combined_p_value").drop_duplicates("taxon")
    return individual_words(row["specimen"], row["verdict"], judged, combined, doubted)
