"""Sentences on where a query differs: landmarks, regions, measurements, and how safe that is."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from morpho.inference.regions import ELSEWHERE
from morpho.report.phrases import percent
from morpho.report.words import counted, number, p_words

__all__ = ["PORTRAITS", "difference_words"]

Tables = Mapping[str, pd.DataFrame]

# Landmarks and measurements that are named.
_NAMED = 5

# Figures of single queries: title, alternative text, how to read them, and their tables.
PORTRAITS: dict[str, tuple[str, str, str, tuple[str, ...]]] = {
    "heat": (
        "On its own scan",
        "The query's scan in three views, coloured by how far it stands out beyond the mean",
        "Colours: how far the surface stands out beyond its nearest taxon's mean (yellow) or stays "
        "behind it (blue), along its own normal. Between landmarks the thin-plate spline tells; it "
        "knows nothing of what lies far from all of them.",
        ("displacements", "meshes"),
    ),
    "displacements": (
        "Landmark by landmark",
        "Arrows at the landmarks from where the nearest taxon has them to where the query does",
        "Grey: where the nearest taxon has its landmarks; arrows lead to the query's. Those in "
        "colour pass the control of false discoveries, landmarks and semilandmarks each among "
        "themselves. A superimposition by least squares can spread a local change over the bone: "
        "see the two fits below.",
        ("displacements",),
    ),
    "displacement_ranking": (
        "Which landmarks, and by both fits",
        "Landmarks ranked by displacement in standard deviations within taxa, by two fits",
        "Displacements in standard deviations within taxa, with mm at the right. Two marks on a "
        "line are the fit by least squares and one that a local change does not drag along: where "
        "they lie apart, say which one is quoted.",
        ("displacements", "fits"),
    ),
    "regions": (
        "Share of each region",
        "Share of the squared displacement in each named region beside the share expected",
        "Share of the difference in each region of the scheme, beside its share of the variation "
        "within taxa.",
        ("region_displacements",),
    ),
    "measurements": (
        "Measurements in which it lies farthest out",
        "Dot plots of the best separating distances, a row for each taxon, with the query marked",
        "Distances between landmarks as measured, without heed of size, in the order in which they "
        "set the query apart so: those outside the range of every taxon first. The table below and "
        "the sentences above compare at the query's own size, where size can be heeded: so a "
        "distance may lie within a range here and outside it there, or the other way round. Many "
        "distances share landmarks, so they are no independent witnesses; "
        "the p-values are adjusted for their number.",
        ("measurement_ranking", "measurement_ranges", "measurements"),
    ),
}


def _largest(part: pd.DataFrame) -> pd.DataFrame:
    """Rows at the query's own size, or as it is where there are none."""
    return part[part["size_heeded"] == bool(part["size_heeded"].any())]


def _landmarks(moved: pd.DataFrame, alpha: float) -> str:
    landmarks = moved[moved["kind"] == "landmark"].sort_values("rank")
    passed = landmarks[landmarks["p_value_false_discovery"] <= alpha]
    taxon = str(moved["taxon"].iloc[0])
    where = "at its own size" if moved["size_heeded"].iloc[0] else "as it is"
    if passed.empty:
        return (
            f"No single landmark was detected at {alpha:g} to lie farther from {taxon} ({where}) "
            "than members do, once the number of landmarks is heeded."
        )
    each = [
        f"{row['landmark']} ({number(row['displacement_mm'])} mm, "
        f"{number(row['in_taxon_sd'])} SD"
        + (f"; {row['definition'].rstrip('.')}" if row["definition"] else "")
        + ("; estimated" if row["estimated"] else "")
        + ")"
        for row in passed.head(_NAMED).to_dict("records")
    ]
    return (
        f"Compared with {taxon} {where}, {len(passed)} of {counted(len(landmarks), 'landmark')} "
        f"{'lies' if len(passed) == 1 else 'lie'} off beyond false-discovery control at "
        f"{alpha:g}; most so: {'; '.join(each)}."
    )


def _fits(fits: pd.DataFrame) -> str:
    row = _largest(fits).iloc[0]
    alike = row["fits_rank_correlation"]
    ranks = (
        "cannot be ranked beside it"
        if alike != alike
        else f"ranks the points {'much alike' if alike >= 0.8 else 'differently'} (Spearman's "
        f"correlation {number(alike)})"
    )
    text = (
        f"A fit that a local change does not drag along {ranks}; the two differ by more than one "
        f"usual displacement at {percent(row['share_of_fits_differing'])} of the points"
    )
    if row["share_of_fits_differing"] > 0.2:
        return text + ": part of the displacements may be a local change that was spread."
    return text + "."


def _regions(parts: pd.DataFrame, alpha: float) -> str:
    first = parts.sort_values("share_of_displacement", ascending=False).iloc[0]
    p = first["share_p_value_false_discovery"]
    region = str(first["region"]).replace("_", " ")
    where = "points of no named region" if region == ELSEWHERE else region
    share, expected = first["share_of_displacement"], first["share_expected"]
    text = (
        f"Of the difference {percent(share)} lies in {where}, which holds "
        f"{percent(expected)} of the variation within taxa"
    )
    if p != p:
        return text + "."
    shown = "" if p <= alpha else "not shown to be "
    return (
        f"{text}: {shown}a larger share than members have there ({p_words(p)} after "
        "false-discovery control)."
    )


def _measurements(ranking: pd.DataFrame, alpha: float) -> str:
    distances = ranking[ranking["kind"] == "distance"].sort_values("rank")
    outside = distances[distances["outside_every_taxon"]]
    if distances.empty:
        return ""
    where = "at its own size" if distances["size_heeded"].any() else "as it is"
    if outside.empty:
        return f"No distance between landmarks lies outside the range of every taxon ({where})."
    each = [
        f"{row['measurement'].replace('_', ' ')} ({number(row['value'])} mm, "
        f"{number(abs(row['standardised_difference']))} SD from {row['nearest_taxon']})"
        for row in outside.head(_NAMED).to_dict("records")
    ]
    passed = int((outside["p_value_false_discovery"] <= alpha).sum())
    small = (outside["taxa_outside"] > outside["taxa_compared"]).any()
    tested = " against taxa of three or more specimens" if small else ""
    return (
        f"{len(outside)} of {counted(len(distances), 'distance')} between landmarks "
        f"{'lies' if len(outside) == 1 else 'lie'} outside the range of every taxon ({where}), "
        f"{passed} beyond false-discovery control at {alpha:g}{tested}; first: {'; '.join(each)}."
    )


def difference_words(tables: Tables, specimen: str, taxon: str, alpha: float) -> list[str]:
    """Sentences on where a query differs from its nearest taxon.

    Parameters
    ----------
    tables : mapping of str to DataFrame
    specimen, taxon : str
        The query and its nearest taxon.
    alpha : float
        Level of the control of false discoveries.

    Returns
    -------
    list of str
    """

    def of(name: str) -> pd.DataFrame:
        part = tables[name]
        part = part[part["specimen"] == specimen]
        return part[part["taxon"] == taxon] if "taxon" in part else part

    words = []
    if len(of("displacements")):
        words.append(_landmarks(_largest(of("displacements")), alpha))
    if len(of("fits")):
        words.append(_fits(of("fits")))
    if len(of("region_displacements")):
        words.append(_regions(_largest(of("region_displacements")), alpha))
    if len(of("measurement_ranking")):
        words.append(_measurements(_largest(of("measurement_ranking")), alpha))
    return [text for text in words if text]
