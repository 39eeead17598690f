"""What the results section is made of: rows picked from the tables of each element."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import pandas as pd
from markupsafe import Markup

from morpho.report.words.differences import difference_words
from morpho.report.words.filters import marked_name
from morpho.report.words.suspicions import suspects
from morpho.report.words.trouble import trouble_words
from morpho.report.words.verdict import Told, left_out_whole, noticing_words
from morpho.report.words.writing import said
from morpho.results.analysed import Analysed

__all__ = ["findings", "joined_findings"]

Rows = list[dict[Any, Any]]


def _table(element: Analysed, name: str) -> pd.DataFrame:
    """A table, empty and without columns where the element has none or no rows in it."""
    given = element.tables.get(name)
    return pd.DataFrame() if given is None or given.empty else given


def _of(element: Analysed, name: str, query: str) -> pd.DataFrame:
    table = _table(element, name)
    return table if table.empty else table[table["specimen"] == query]


def _terms(element: Analysed) -> Rows:
    """Terms of the linear model; each is tested by the residual of the model up to it."""
    rows = {row["term"]: row for row in element.tables["model_terms"].to_dict("records")}
    if "residual" not in rows:
        return []
    left, terms = int(rows["total"]["degrees_of_freedom"]), []
    for name, row in rows.items():
        if name not in ("residual", "total"):
            left -= int(row["degrees_of_freedom"])
            terms.append(row | {"residual": left})
    return terms


def _pairs(element: Analysed, alpha: float) -> Rows:
    """Which pairs of taxa differ in mean shape, as they are and at one size, nearest first."""
    found = []
    for sized, part in element.tables["pairwise_distances"].groupby("size_heeded", sort=True):
        tested = part[part["p_value_holm"].notna()]
        rejected = tested["p_value_holm"] <= alpha
        apart = tested[rejected].sort_values("distance", kind="stable")
        if len(tested):
            found.append(
                {
                    "sized": sized,
                    "tested": len(tested),
                    "apart": apart.to_dict("records"),
                    "largest": apart["p_value_holm"].max(),
                    "rest": tested[~rejected].to_dict("records"),
                }
            )
    return found


def _suspected(element: Analysed) -> Markup:
    """Known specimens whose digitisations look wrong."""
    suspicions, specimens = _table(element, "suspicions"), element.tables["specimens"]
    if suspicions.empty:
        return Markup()
    used = specimens.loc[(specimens["role"] == "known") & specimens["used"], "specimen"]
    found = suspects(suspicions[suspicions["specimen"].isin(used)])
    return said("suspicions", "of_known", found) if found else Markup()


def _nearest(element: Analysed, query: str) -> Mapping[Any, Any] | None:
    """Distances to the nearest taxon of a query, at its own size where that was heeded."""
    table = _of(element, "membership", query)
    if table.empty:
        return None
    last = table[table["size_heeded"] == table["size_heeded"].max()]
    row: dict[Any, Any] = last.sort_values("relative_distance", kind="stable").iloc[0].to_dict()
    return row


def _queries(element: Analysed, told: Mapping[str, Told], alpha: float) -> Iterator[Markup]:
    """For each query a paragraph on its verdict, and one on where it differs."""
    for row in element.tables["verdicts"].sort_values("specimen", kind="stable").to_dict("records"):
        name, nearest = str(row["specimen"]), str(row["nearest_taxon"])
        words = told[name]
        near = _nearest(element, name)
        yield said("results", "query", words, near)
        if nearest and "displacements" in element.tables:
            where = difference_words(element.tables, name, nearest, alpha)
            if where:
                yield marked_name(f"{name} beside its nearest taxon: {' '.join(where)}")


def _element(element: Analysed, told: Mapping[str, Told], alpha: float) -> Iterator[Markup]:
    """Paragraphs on one element."""
    observers = said("trust", "observers", element.notes["measure"].get("observer_p_value"), alpha)
    calibration = _table(element, "calibration_summary")
    each = left_out_whole(calibration) if len(calibration) else []
    yield said("results", "quality", element, alpha, observers)
    yield said("results", "taxa", element, alpha, _terms(element), _pairs(element, alpha))
    notices = noticing_words(element.tables) if len(_table(element, "membership")) else Markup()
    sample = said("results", "sample", element, each, _suspected(element), notices)
    yield from [sample] if sample.strip() else []
    yield from _queries(element, told, alpha)
    trouble = trouble_words(element)
    yield from [Markup(" ").join(map(marked_name, trouble))] if trouble else []


def findings(
    settings: Any, elements: Sequence[Analysed], told: Mapping[str, Mapping[str, Told]]
) -> dict[str, list[Markup]]:
    """Write the results section, element by element.

    Parameters
    ----------
    settings : mapping
        The settings of study.yaml.
    elements : sequence of Analysed
        Tables and notes of each element.
    told : mapping of str to mapping
        By element, see `told_of_queries`.

    Returns
    -------
    dict of str to list of Markup
        By element, a paragraph for the data, the known taxa, the sample, and one or two for
        each query; names are marked, see `morpho.report.words.writing`. What a table does not
        hold is not spoken of, and a test that does not reject is never called proof.
    """
    return {one.name: list(_element(one, told[one.name], settings.tests.alpha)) for one in elements}


def _ratio(rows: Rows) -> dict[str, Any]:
    """Relative size of two elements of a query beside the taxa."""
    ranged = [row for row in rows if row["ratio_minimum"] == row["ratio_minimum"]]
    tested = [
        row for row in rows if row["p_value_false_discovery"] == row["p_value_false_discovery"]
    ]
    return {
        "of": rows[0],
        "outside": [row for row in ranged if row["outside_range"]],
        "within": [row for row in ranged if not row["outside_range"]],
        "least": max(tested, key=lambda row: row["p_value_false_discovery"], default=None),
    }


def joined_findings(
    joined: Mapping[str, pd.DataFrame], individually: Mapping[str, Markup]
) -> list[Markup]:
    """Write what several elements of one individual say together.

    Parameters
    ----------
    joined : mapping of str to DataFrame
        Tables of all elements together.
    individually : mapping of str to Markup
        See `told_of_individuals`.

    Returns
    -------
    list of Markup
        Marked paragraphs: individuals of which several elements were judged, and relative sizes
        of elements. Empty where there are none.
    """
    told: list[Markup] = []
    individuals = joined.get("individuals")
    if individuals is not None and len(individuals):
        several = individuals[individuals["elements"] > 1]
        told += [individually[name] for name in several["specimen"]]
    ratios = joined.get("proportions")
    if ratios is not None and len(ratios):
        taken = ratios[ratios["query_ratio"].notna()]
        told.append(
            Markup(" ").join(
                said("results", "ratio", _ratio(part.to_dict("records")))
                for _, part in taken.groupby(["specimen", "first", "second"], sort=True)
            )
        )
    return [text for text in told if text.strip()]
