"""Methods: where queries differ, warped surfaces, and several elements of one individual."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from morpho.report.marked import citing, named
from morpho.report.phrases import bone, of_bones
from morpho.report.phrasing import counted
from morpho.report.references import Analysed
from morpho.results.wording import together

__all__ = ["differences", "surfaces", "together_judged"]

Settings = Mapping[str, Any]


def _filled(table: str, elements: Sequence[Analysed]) -> list[Analysed]:
    return [e for e in elements if len(e.tables.get(table, ()))]


def _ways(elements: Sequence[Analysed], table: str) -> str:
    """Whether as it is, at one's own size, or both."""
    flags = {bool(flag) for e in elements for flag in e.tables[table]["size_heeded"]}
    words = {False: "its mean", True: "the shape expected of it at the query's own size"}
    return together([f"from {words[flag]}" for flag in sorted(flags)])


def _displacements(settings: Settings, elements: Sequence[Analysed], used: Sequence[str]) -> str:
    here = _filled("displacements", elements)
    if not here:
        return ""
    taxa = (
        "each known taxon" if settings["differences"]["against"] == "all" else "its nearest taxon"
    )
    semilandmarks = any((e.tables["displacements"]["kind"] != "landmark").any() for e in here)
    apart = " and, apart from them, over the semilandmarks" if semilandmarks else ""
    text = (
        f"For each query that could be judged{of_bones(here, elements, 'by')}, displacements of "
        f"landmarks and semilandmarks from {taxa} ({_ways(here, 'displacements')}) were tested "
        "point by point by Hotelling's T2 of one new observation, with the covariance of the "
        f"point within taxa pooled{citing('displacement')}, and p-values adjusted over the "
        f"landmarks{apart} by control of false discoveries{citing('false discovery')}."
    )
    if "resistant fit" in used:
        text += (
            " As least squares can spread a local change over a bone, displacements by a fit that "
            f"resists it stand beside these{citing('resistant fit')}."
        )
    text += (
        " They are told along the anatomical axes, in mm at the query's size and as multiples of "
        "the usual displacement of members (root mean square within taxa)."
    )
    paired = [e for e in here if (e.tables["displacements"]["other_side"] != "").any()]
    if paired:
        text += (
            f" Where the symmetric part of a bone is analysed{of_bones(paired, elements)}, two "
            "mirror images are one observation: landmarks, regions and measurements were tested, "
            "adjusted and counted with one of each, and a measurement is the mean of both sides."
        )
    parts = _filled("region_displacements", here)
    if parts:
        text += (
            f" Shares of the squared displacement that lie in named regions"
            f"{of_bones(parts, elements)} were ranked among the known specimens of all taxa, the "
            f"query among them{citing('regions')}, and their p-values adjusted over regions."
        )
    return text


def _what_was_measured(elements: Sequence[Analysed]) -> str:
    """Kinds of measurements."""
    kinds = {str(kind) for e in elements for kind in e.tables["measurement_ranking"]["kind"]}
    words = {
        "distance": "Distances (mm) between landmarks",
        "angle": "angles",
        "ratio": "ratios of distances",
    }
    given = [words[kind] for kind in words if kind in kinds]
    first = given[0][0].upper() + given[0][1:]
    return together([first, *given[1:]])


def _measurements(elements: Sequence[Analysed], used: Sequence[str]) -> str:
    here = _filled("measurement_ranking", elements)
    if not here:
        return ""
    text = (
        f"{_what_was_measured(here)} were taken{of_bones(here, elements, 'on')}, without estimated "
        "landmarks, and ranked, each kind by itself, by how well they set a query apart: those in "
        "which it lies outside the range of every taxon first, then by the smallest of its "
        "differences from taxa of three or more specimens, in standard deviations of the taxon "
        f"with Hedges's factor for small samples{citing('measurements')}. P-values are those of "
        f"one new member by Student's t{citing('new member')}, the largest over these taxa"
        f"{citing('every taxon')}, adjusted over the measurements of a kind"
        f"{citing('false discovery')}."
    )
    if "beyond allometry" in used:
        text += (
            " They were compared as taken and beyond allometry: logarithms of lengths and ratios, "
            "and angles as they are, by lines on log centroid size with one slope within taxa"
            f"{citing('beyond allometry')}."
        )
    return text


def differences(settings: Settings, elements: Sequence[Analysed], used: Sequence[str]) -> str:
    """Write how queries were told apart point by point and by measurements.

    Parameters
    ----------
    settings : mapping
        The settings of study.yaml.
    elements : sequence of Analysed
    used : sequence of str
        Methods used, see `morpho.report.references.methods_used`.

    Returns
    -------
    str
        Marked text; blank where nothing was compared.
    """
    parts = (_displacements(settings, elements, used), _measurements(elements, used))
    return " ".join(part for part in parts if part)


# What the template's scan is warped to: words, and what `form` of the table has in it.
_FORMS = (
    ("means", "mean of"),
    ("ends of axes", " end of axis "),
    ("forms predicted by growth", "by growth"),
)


def _forms(elements: Sequence[Analysed]) -> str:
    """Templates and what they were warped to."""
    templates, forms, count = [], [], 0
    for element in elements:
        table = element.tables["meshes"]
        chosen = (table["template"].fillna("") != "") & (table["specimen"].fillna("") == "")
        warped = table[chosen]
        count += len(warped)
        forms += [str(form) for form in warped["form"]]
        templates += [
            f"{named(str(name))} ({bone(element)})" for name in dict.fromkeys(warped["template"])
        ]
    if not count:
        return ""
    kinds = [words for words, key in _FORMS if any(key in form for form in forms)]
    scans = "scan" if len(templates) == 1 else "scans"
    made = counted(count, "surface")
    return (
        f"The {scans} of {together(templates)} {'was' if len(templates) == 1 else 'were'} warped "
        f"by thin-plate splines{citing('surfaces')} to {together(kinds)} ({made}). "
    )


def _completed(elements: Sequence[Analysed]) -> str:
    names = []
    for element in elements:
        table = element.tables["meshes"]
        chosen = (table["template"].fillna("") != "") & (table["specimen"].fillna("") != "")
        names += [
            f"{named(str(name))} ({bone(element)})"
            for name in dict.fromkeys(table.loc[chosen, "specimen"])
        ]
    if not names:
        return ""
    return (
        f"What is lost of {together(names)} was filled from the template's scan warped onto the "
        f"landmarks{citing('surfaces')}; the filled parts are hypothesis and coloured as such. "
    )


def surfaces(elements: Sequence[Analysed], used: Sequence[str]) -> str:
    """Write how scans were warped, coloured and closed.

    Parameters
    ----------
    elements : sequence of Analysed
    used : sequence of str

    Returns
    -------
    str
        Marked text; blank where there were no scans.
    """
    here = _filled("meshes", elements)
    if not here:
        return ""
    text = _forms(here) + _completed(here)
    folded = sum(int((e.tables["meshes"]["share_folded"] > 0).sum()) for e in here)
    if folded:
        text += (
            f"In {folded} of these surfaces the warp turned faces inside out; they are not to be "
            "trusted there. "
        )
    if "heat" in used:
        text += (
            "Colours on the queries' own scans tell how far they stand out beyond the shape of "
            "their nearest taxon along their own normals; between landmarks a thin-plate spline "
            f"tells the displacement{citing('heat')}. Only those parts are coloured whose nearest "
            "landmark or semilandmark passes the control of false discoveries. "
        )
    closed = sum(int(e.tables["meshes"]["watertight"].sum()) for e in here)
    count = sum(len(e.tables["meshes"]) for e in here)
    text += f"For printing, {closed} of {counted(count, 'surface')} are closed"
    if "closing" in used:
        holes = sum(int(e.tables["meshes"]["holes_closed"].sum()) for e in here)
        text += f", {holes} {'hole' if holes == 1 else 'holes'} filled for it{citing('closing')}"
    return text + "."


def together_judged(joined: Mapping[str, pd.DataFrame], used: Sequence[str]) -> str:
    """Write how the elements of one individual were joined.

    Parameters
    ----------
    joined : mapping of str to DataFrame
        Tables of all elements together.
    used : sequence of str

    Returns
    -------
    str
        Marked text; blank where no individual has two elements.
    """
    text = ""
    if "combined elements" in used:
        text += (
            "Where several elements of one individual could be judged, the p-values of each taxon "
            "(the larger of the two, as it is and at its own size) were combined by Bonferroni's "
            f"rule, which holds whatever the dependence between elements"
            f"{citing('combined elements')}. An individual was called outside only where the "
            "combined test of every taxon rejects, an element is outside and none is inside; "
            "inside where all are and one taxon is kept by each. "
        )
    if "relative sizes" in used:
        text += (
            "Relative sizes of elements were compared by logarithms of ratios of their centroid "
            "sizes, each query beside each taxon, with p-values of one new individual by "
            "Student's t and differences in standard deviations of the taxon"
            f"{citing('relative sizes')}"
        )
        if "pairs of elements" in used:
            text += f", adjusted for the number of pairs{citing('pairs of elements')}"
        text += ". "
    return text.strip()
