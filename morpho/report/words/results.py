"""What the results section is made of: rows picked from the tables of each element."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import pandas as pd
from markupsafe import Markup

from morpho.report.words.differences import difference_words
from morpho.report.words.filters import marked_name
from morpho.report.words.trouble import trouble_words
from morpho.report.words.verdict import Told, left_out_whole, noticing_words
from morpho.report.words.writing import said
from morpho.results.analysed import Analysed
from morpho.results.rows import rows_on

__all__ = ["findings", "joined_findings"]


def _terms(element: Analysed) -> list[dict[Any, Any]]:
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


def _nearest(element: Analysed, query: str) -> Mapping[Any, Any] | None:
    """Distances to the nearest taxon of a query, at its own size where that was heeded."""
    table = element.tables.get("membership")
    if table is None:
        return None
    near = rows_on(table, query).sort_values("comparable_distance", kind="stable")
    return near.iloc[0].to_dict() if len(near) else None


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
    calibration = element.tables.get("calibration_summary")
    each = [] if calibration is None or calibration.empty else left_out_whole(calibration)
    yield said("results", "quality", element, alpha, observers)
    yield said("results", "taxa", element, alpha, _terms(element))
    judged = element.tables.get("membership")
    notices = Markup() if judged is None or judged.empty else noticing_words(element.tables)
    sample = said("results", "sample", element, alpha, each, notices)
    yield from [sample] if sample.strip() else []
    yield from _queries(element, told, alpha)
    trouble = trouble_words(element)
    yield from [Markup(" ").join(map(marked_name, trouble))] if trouble else []


def findings(
    settings: Any, elements: Sequence[Analysed], told: Mapping[str, Mapping[str, Told]]
) -> dict[str, list[Markup]]:
    """Write the results section: of each element paragraphs on data, taxa, sample and queries.

    What a table does not hold is not spoken of, and a test that does not reject is never called
    proof.
    """
    return {one.name: list(_element(one, told[one.name], settings.tests.alpha)) for one in elements}


def joined_findings(
    joined: Mapping[str, pd.DataFrame], individually: Mapping[str, Markup]
) -> list[Markup]:
    """Write what several elements of one individual say together."""
    nothing = pd.DataFrame(columns=["elements", "specimen", "query_ratio", "first", "second"])
    individuals, ratios = (joined.get(name, nothing) for name in ("individuals", "proportions"))
    told = [individually[name] for name in individuals["specimen"][individuals["elements"] > 1]]
    pairs = ratios[ratios["query_ratio"].notna()].groupby(["specimen", "first", "second"])
    words = [said("results", "ratio", part.to_dict("records")) for _, part in pairs]
    return [text for text in (*told, Markup(" ").join(words)) if text.strip()]
