"""Sentences of the results section, each made from a row of a table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from morpho.report.conclusions import noticed_words, opening, trial_words
from morpho.report.marked import named
from morpho.report.phrases import percent
from morpho.report.phrasing import counted, number, observer_words, p_value_words, p_words
from morpho.report.references import Analysed
from morpho.report.words.differences import difference_words
from morpho.report.words.suspicions import known_suspicions
from morpho.report.words.trouble import trouble_words
from morpho.results.wording import together

__all__ = ["findings", "joined_findings"]

Settings = Mapping[str, Any]
Row = Mapping[Any, Any]


def _percent(share: float) -> str:
    return percent(share, 1)


def _known(p: float) -> bool:
    return p == p


def _space(element: Analysed) -> str:
    """Variance of the first axes."""
    table = element.tables["variance_per_axis"]
    shares = [
        f"axis {row['axis']:.0f} holds {_percent(row['share_of_variance'])}"
        for row in table.head(2).to_dict("records")
    ]
    kept = int(table["retained"].sum())
    axes = "1 axis retained holds" if kept == 1 else f"{kept} axes retained hold"
    return (
        f"Of the variance of shape of the known specimens, {together(shares)}; the {axes} "
        f"{_percent(element.notes['ordinate']['share'])}."
    )


def _term(row: Row, residual: int, alpha: float) -> str:
    """One term of the linear model."""
    term, share = named(row["term"]), _percent(row["share_of_variance"])
    test = (
        f"F = {number(row['f_ratio'])} on {row['degrees_of_freedom']:.0f} and {residual} degrees "
        f"of freedom, {p_words(row['p_value'])}"
    )
    if not _known(row["p_value"]):
        return f"{term} goes with {share} of the variance of shape (not tested)"
    if row["p_value"] <= alpha:
        return f"{term} goes with {share} of the variance of shape ({test})"
    return f"no effect of {term} was detected ({share} of the variance, {test})"


def _model(element: Analysed, alpha: float) -> list[str]:
    table = element.tables["model_terms"]
    rows = {row["term"]: row for row in table.to_dict("records")}
    if "residual" not in rows:
        return []
    left = int(rows["total"]["degrees_of_freedom"])
    terms = []
    for name, row in rows.items():
        if name not in ("residual", "total"):
            left -= int(row["degrees_of_freedom"])
            terms.append(_term(row, left, alpha))
    return [f"In the linear model, each term after those before it, {together(terms)}."]


def _slopes(element: Analysed, alpha: float) -> list[str]:
    table = element.tables["slopes"]
    rows = table[table["term"] == "size by taxon"].to_dict("records")
    if not rows or not _known(rows[0]["p_value"]):
        return []
    row = rows[0]
    facts = f"{_percent(row['share_of_variance'])} of the variance, {p_words(row['p_value'])}"
    if row["p_value"] <= alpha:
        return [
            f"That the taxa share one growth line is rejected at {number(alpha)} ({facts}), which "
            "weakens every comparison at one size."
        ]
    return [
        f"No difference between the growth lines of the taxa was detected ({facts}), which is no "
        "proof that there is none."
    ]


def _pairs(element: Analysed, alpha: float) -> list[str]:
    """Which pairs of taxa differ in mean shape."""
    words = []
    table = element.tables["pairwise_distances"]
    for heeded, part in table.groupby("size_heeded", sort=True):
        tested = part[part["p_value_holm"].notna()]
        if tested.empty:
            continue
        way = "at one size" if heeded else "as they are"
        apart = tested[tested["p_value_holm"] <= alpha]
        text = (
            f"Shapes compared {way}, a difference of means was detected in {len(apart)} of "
            f"{counted(len(tested), 'pair')} of taxa after Holm's rule"
        )
        if len(apart):
            ordered = apart.sort_values("distance", kind="stable").to_dict("records")
            ends = ordered[:1] if len(ordered) == 1 else [ordered[0], ordered[-1]]
            pairs = [
                f"{named(row['first'])} and {named(row['second'])} {number(row['distance'])} apart"
                for row in ends
            ]
            which = ["", "nearest ", "farthest "][len(ends) - 1 :][: len(ends)]
            text += (
                " (largest adjusted p-value among these: "
                f"{p_value_words(apart['p_value_holm'].max())}; "
                + "; ".join(f"{word}{pair}" for word, pair in zip(which, pairs, strict=True))
                + ")"
            )
        rest = tested[~(tested["p_value_holm"] <= alpha)]
        if len(rest):
            pairs = [
                f"{named(row['first'])} and {named(row['second'])} ({p_words(row['p_value_holm'])})"
                for row in rest.to_dict("records")
            ]
            text += f"; none was detected between {together(pairs)}"
        words.append(text + ".")
    return words


def _accuracy(element: Analysed) -> list[str]:
    return [
        f"By shape {'at one size' if row['size_heeded'] else 'as it is'}, cross-validation put "
        f"{row['correct']:.0f} of {counted(int(row['specimens']), 'known specimen')} in their own "
        f"taxon ({_percent(row['share_correct'])}; kappa {number(row['chance_corrected'])})."
        for row in element.tables["accuracy"].to_dict("records")
    ]


def _sample_size(element: Analysed, alpha: float) -> list[str]:
    """How well means are known, and what ranks within a taxon can tell."""
    table = element.tables.get("adequacy")
    if table is None or table.empty:
        return []
    words = []
    known = table[table["mean_error"].notna()].sort_values("mean_error", kind="stable")
    if len(known):
        ends = [known.iloc[0]] if len(known) == 1 else [known.iloc[0], known.iloc[-1]]
        errors = [f"{number(row['mean_error'])} ({named(row['taxon'])})" for row in ends]
        text = (
            f"Mean shapes of the taxa are known with an expected error of {' to '.join(errors)} in "
            "Procrustes distance"
        )
        nearest = table["nearest_distance"].min()
        words.append(
            text + (f"; the two nearest lie {number(nearest)} apart." if _known(nearest) else ".")
        )
    short = table[~table["rank_can_decide"].astype(bool)]
    if len(short):
        names = [named(row["taxon"]) for row in short.to_dict("records")]
        which = "any of the taxa" if len(short) == len(table) > 1 else together(names)
        words.append(
            f"Ranks within a taxon cannot by themselves reach {number(alpha)} for {which}: that "
            f"takes {counted(int(short['specimens_for_rank'].max()), 'specimen')}."
        )
    return words


def _error(element: Analysed, alpha: float) -> list[str]:
    notes = element.notes["measure"]
    if notes["repeatability"] is None:
        return ["Digitising error is not known, as it could not be found from replicates."]
    text = (
        f"Repeatability of digitising was {notes['repeatability']:.3f} (95 % interval "
        f"{notes['repeatability_low']:.3f} to {notes['repeatability_high']:.3f}); two "
        f"digitisations of one bone lie {number(notes['error_distance'])} apart in "
        "Procrustes distance, in root mean square."
    )
    return [text + observer_words(notes.get("observer_p_value"), alpha)]


def _sides(element: Analysed, alpha: float) -> list[str]:
    words = []
    rows = {row["source"]: row for row in element.tables["asymmetry"].to_dict("records")}
    for source, what in (
        ("side", "directional asymmetry"),
        ("individual by side", "fluctuating asymmetry beyond digitising error"),
    ):
        row = rows.get(source)
        if row is None or not _known(row["p_value"]):
            continue
        found = "was detected" if row["p_value"] <= alpha else "was not detected"
        words.append(f"{what.capitalize()} {found} ({p_words(row['p_value'])}).")
    return words


def _calibration(element: Analysed) -> list[str]:
    """How often the same procedure is wrong on this sample."""
    table = element.tables.get("calibration_summary")
    if table is None or table.empty:
        return []
    words = []
    whole = table[(table["left_out"] == "specimen") & (table["taxon"] == "all taxa")]
    for row in whole.to_dict("records"):
        low, high = _percent(row["interval_low"]), _percent(row["interval_high"])
        words.append(
            f"Of {row['specimens']:.0f} known specimens left out in turn and judged by the rest, "
            f"{row['outside']:.0f} were told outside, which by their labels they are not (exact 95 "
            f"% interval {low} to {high})."
        )
    counts, meaning = noticed_words(table)
    words.append(
        f"Of the members of taxa left out whole, {named(counts)} were told outside the other taxa: "
        f"{meaning}."
        if counts
        else "With one known taxon nobody can say how well members of a new one would be noticed."
    )
    return words


def _suspected(element: Analysed) -> list[str]:
    """Known specimens whose digitisations look wrong."""
    table, specimens = element.tables.get("suspicions"), element.tables.get("specimens")
    if table is None or specimens is None or table.empty:
        return []
    used = specimens.loc[(specimens["role"] == "known") & specimens["used"], "specimen"]
    text = known_suspicions(table[table["specimen"].isin(used)])
    return [named(text.strip())] if text else []


def _typical(p: float) -> str:
    return number(p) if p >= 0.001 else p_value_words(p)


def _nearest(element: Analysed, query: str) -> str:
    """Distances to the taxon that the query lies nearest to."""
    table = element.tables["membership"]
    table = table[table["specimen"] == query]
    if table.empty:
        return ""
    last = table[table["size_heeded"] == table["size_heeded"].max()]
    row = last.iloc[int(last["comparable_distance"].to_numpy().argmin())]
    way = "at its own size" if row["size_heeded"] else "as it is"
    typical = row["typicality_probability"]
    return (
        f" Compared {way}, {named(row['taxon'])} (n = {row['taxon_specimens']:.0f}) is the nearest "
        f"taxon by Procrustes distance, the error of its mean allowed for "
        f"({number(row['comparable_distance'])}; {number(row['procrustes_distance'])} without): "
        "typicality probability "
        + (_typical(typical) if _known(typical) else "not known, as the sample is too small")
        + f", rank p-value within the taxon {number(row['rank_p_value'])} (the least possible is "
        f"{number(row['rank_floor'])})."
    )


def _of(element: Analysed, table: str, query: str) -> pd.DataFrame:
    given = element.tables.get(table)
    if given is None or given.empty:
        return pd.DataFrame()
    return given[given["specimen"] == query]


def _query(element: Analysed, verdict: Row) -> str:
    """Verdict on a query, what it rests on, and how it was tried: each said once."""
    name = str(verdict["specimen"])
    found = _of(element, "conclusions", name)
    if found.empty:
        kept = str(verdict["taxa_not_rejected"]).split("; ")
        text = opening(name, element.name, verdict["verdict"], kept)
        return named(f"{text} {verdict['reason']}") + _nearest(element, name)
    row = {str(column): value for column, value in found.to_dict("records")[0].items()}
    text = named(row["summary"]) + _nearest(element, name)
    if verdict["verdict_as_it_is"] == "":
        return text
    tried = [
        _of(element, table, name)
        for table in ("trajectories", "stability_summary", "specimens_to_decide")
    ]
    lines, stability, needed = tried
    more = trial_words(row, lines, stability, needed, str(verdict.get("blocking", "")))
    return text + (f" {named(more)}" if more else "")


def _queries(element: Analysed, alpha: float) -> list[str]:
    """For each query a paragraph on its verdict, and one on where it differs."""
    words = []
    for row in element.tables["verdicts"].sort_values("specimen", kind="stable").to_dict("records"):
        words.append(_query(element, row))
        if not row["nearest_taxon"] or "displacements" not in element.tables:
            continue
        where = difference_words(
            element.tables, str(row["specimen"]), str(row["nearest_taxon"]), alpha
        )
        if where:
            words.append(named(f"{row['specimen']} beside its nearest taxon: {' '.join(where)}"))
    return words


def _trouble(element: Analysed) -> list[str]:
    """What could not be computed: names stand in it, so it is marked as text."""
    return [named(text) for text in trouble_words(element)]


def findings(settings: Settings, elements: Sequence[Analysed]) -> dict[str, list[str]]:
    """Write the results section, element by element.

    Parameters
    ----------
    settings : mapping
        The settings of study.yaml.
    elements : sequence of Analysed
        Tables and notes of each element.

    Returns
    -------
    dict of str to list of str
        By element, a paragraph for the data, the known taxa, the sample, and one or two for
        each query; names are marked, see `morpho.report.marked`. What a table does not hold is
        not spoken of, and a test that does not reject is never called proof.
    """
    alpha = settings["tests"]["alpha"]
    result = {}
    for element in elements:
        taxa = [
            _space(element),
            *_model(element, alpha),
            *_slopes(element, alpha),
            *_pairs(element, alpha),
            *_accuracy(element),
        ]
        data = [*_error(element, alpha), *_sides(element, alpha)]
        sample = [*_calibration(element), *_suspected(element), *_sample_size(element, alpha)]
        paragraphs = [data, taxa, sample, *([text] for text in _queries(element, alpha))]
        paragraphs.append(_trouble(element))
        result[element.name] = [" ".join(part) for part in paragraphs if part]
    return result


def _ratio(specimen: str, pair: Sequence[str], part: pd.DataFrame) -> str:
    """Relative size of two elements of a query beside the taxa."""
    rows = part[part["query_ratio"].notna()].to_dict("records")
    if not rows:
        return ""
    first, second = (name.replace("_", " ") for name in pair)
    text = (
        f"The centroid size of the {named(first)} of {named(specimen)} is "
        f"{number(rows[0]['query_ratio'])} times that of its {named(second)}"
    )
    for outside, words in ((True, "outside the range of"), (False, "within that of")):
        taxa = [
            f"{named(row['taxon'])} ({number(row['ratio_minimum'])} to "
            f"{number(row['ratio_maximum'])}, n = {row['taxon_specimens']:.0f})"
            for row in rows
            if bool(row["outside_range"]) is outside and _known(row["ratio_minimum"])
        ]
        if taxa:
            text += f", {words} {together(taxa)}"
    tested = [row for row in rows if _known(row["p_value_false_discovery"])]
    if tested:
        least = max(tested, key=lambda row: row["p_value_false_discovery"])
        text += (
            f"; it differs least from {named(least['taxon'])} "
            f"({number(abs(least['standardised_difference']))} of its standard deviations "
            f"{'above' if least['standardised_difference'] > 0 else 'below'} its mean, "
            f"{p_words(least['p_value_false_discovery'])})"
        )
    return text + "."


def joined_findings(joined: Mapping[str, pd.DataFrame]) -> list[str]:
    """Write what several elements of one individual say together.

    Parameters
    ----------
    joined : mapping of str to DataFrame
        Tables of all elements together.

    Returns
    -------
    list of str
        Marked paragraphs: individuals of which several elements were judged, and relative sizes
        of elements. Empty where there are none.
    """
    paragraphs = []
    individuals = joined.get("individuals")
    if individuals is not None and len(individuals):
        several = individuals[individuals["elements"] > 1]
        paragraphs += [named(str(text)) for text in several["paragraph"]]
    ratios = joined.get("proportions")
    if ratios is not None and len(ratios):
        words = [
            _ratio(str(key[0]), [str(name) for name in key[1:]], part)
            for key, part in ratios.groupby(["specimen", "first", "second"], sort=True)
        ]
        text = " ".join(word for word in words if word)
        paragraphs += [text] if text else []
    return paragraphs
