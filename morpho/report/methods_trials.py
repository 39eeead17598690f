"""Methods: how hard the verdict was tried, and what may undo it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from morpho.report.marked import citing, named
from morpho.report.phrases import of_bones
from morpho.report.phrasing import number
from morpho.report.references import Analysed
from morpho.results.wording import together

__all__ = ["effect_of_estimates", "trials"]

Settings = Mapping[str, Any]

# Kinds of choices of `morpho.inference.robustness.stability.CHOICES`, as they are told.
_CHOICES = {
    "size": "size heeded alone or not at all",
    "growth not extrapolated": "growth lines read off no further than the sizes measured",
    "axes": "other numbers of axes",
    "covariance": "other estimates of the covariance",
    "landmark left out": "each landmark left out",
    "semilandmarks left out": "the semilandmarks of each curve or patch left out",
    "specimen left out": "each known specimen left out",
    "estimated landmarks": "estimated landmarks drawn from their spread",
    "digitising error": "queries drawn as they might be digitised again",
    "distortion": "distortion left in",
    "suspects left out": "specimens and landmarks whose digitisation screening suspects left out",
}


def _filled(table: str, elements: Sequence[Analysed]) -> list[Analysed]:
    return [e for e in elements if len(e.tables.get(table, ()))]


def _kept_places(elements: Sequence[Analysed]) -> str:
    """What is not found anew when specimens are left out."""
    slid = any(e.notes["slide"]["curves"] or e.notes["slide"]["patches"] for e in elements)
    estimated = any(len(e.tables["estimated_points"]) for e in elements)
    what = together(["semilandmarks"] * slid + ["estimated points"] * estimated)
    return f" ({what} stay where the whole sample has them)" if what else ""


def _left_out(elements: Sequence[Analysed], used: Sequence[str]) -> str:
    """Calibration: specimens and taxa of the sample as if they were queries."""
    if "calibration" not in used:
        return ""
    whole = any(
        (e.tables["calibration_summary"]["left_out"] == "taxon").any()
        for e in _filled("calibration_summary", elements)
    )
    return (
        "To learn how often this procedure is wrong on these samples, each known specimen that is "
        f"not alone in its taxon was left out in turn"
        f"{', and each known taxon whole,' if whole else ''} and judged by the rest, with "
        f"superimposition, axes and growth lines found anew{_kept_places(elements)}; "
        f"intervals of shares are exact binomial ones{citing('calibration')}"
        + (
            "; that of a taxon left out whole is for members of that taxon, and over all taxa left "
            "out there is none, as their members are no sample of new taxa."
            if whole
            else "."
        )
    )


def _other_choices(elements: Sequence[Analysed]) -> str:
    tried = _filled("stability_summary", elements)
    choices = dict.fromkeys(
        str(name) for e in tried for name in e.tables["stability_summary"]["choice"]
    )
    if not choices:
        return ""
    return (
        f"Each verdict{of_bones(tried, elements, 'by')} was sought again under other choices, one "
        "changed at a time: "
        f"{together([_CHOICES.get(name) or named(name) for name in choices])}."
    )


def _tempering(settings: Settings, elements: Sequence[Analysed], used: Sequence[str]) -> str:
    """What a verdict may be taken back for."""
    alpha, share = settings["tests"]["alpha"], settings["robustness"]["smallest_share"]
    parts = []
    if _filled("suspicions", elements):
        parts.append(
            "either where screening suspects a slip in the digitisation of the query and the "
            "verdict hangs on it: left and right or names of landmarks exchanged, and within the "
            "usual of a taxon once put back, or a landmark out of place without which the verdict "
            "is another; or where it turns without any one of the known specimens whose "
            "digitisation is suspected, or without all of them"
        )
    if "calibration" in used:
        parts += [
            "one of outside where known specimens left out were told outside more often than the "
            f"level {number(alpha)} allows (exact binomial test)",
            "one of inside where ten or more members of known taxa were left out with their taxa "
            "and none was noticed",
        ]
    if _filled("stability_summary", elements) and share:
        parts.append(
            f"and either where it holds in a smaller share than {number(share)} of the settings "
            "of one kind of choice (size and covariance apart, and for inside growth beyond "
            "measured sizes; of fewer than ten settings at least two must turn it, or the only one)"
        )
    return f"A verdict is taken back to undecided: {', '.join(parts)}." if parts else ""


def _sample_size(settings: Settings, elements: Sequence[Analysed], used: Sequence[str]) -> str:
    """Rarefaction and simulated larger samples."""
    text = ""
    if "rarefaction" in used:
        text = (
            "Errors of each taxon's mean shape and variance were found from "
            f"{settings['robustness']['rarefactions']} subsamples of each smaller number of "
            f"specimens, corrected for drawing from a finite sample{citing('rarefaction')}."
        )
    simulated = _filled("specimens_to_decide", elements)
    tables = [e.tables["specimens_to_decide"] for e in simulated]
    added = sorted({int(n) for table in tables for n in table["added"] if n > 0})
    if not added:
        return text
    repeats = max(int(table["simulations"].max()) for table in tables)
    return text + (
        " Whether more specimens of the nearest taxon would decide was simulated"
        f"{of_bones(simulated, elements, 'for')}: {together([str(n) for n in added])} specimens "
        f"invented from the fitted model were added, {repeats} times each, and the query judged "
        "again."
    )


def effect_of_estimates(elements: Sequence[Analysed]) -> str:
    """Write which way points estimated from other specimens move the p-values of membership.

    Parameters
    ----------
    elements : sequence of Analysed
        Elements by which queries were judged.

    Returns
    -------
    str
        Marked text with a space before it; blank where no point was estimated from other
        specimens. One from the mirror side is bone of the specimen itself.
    """
    roles = set()
    for element in elements:
        points, table = element.tables["estimated_points"], element.tables["specimens"]
        names = set(points.loc[points["estimated_by"] == "other specimens", "specimen"])
        roles |= set(table.loc[table["specimen"].isin(names), "role"])
    known, query = "known" in roles, "query" in roles
    if not known and not query:
        return ""
    parts = ["among known specimens they tend to make p-values too small"] if known else []
    parts += (
        [f"in a query {'' if known else 'they tend to make p-values '}too large"] if query else []
    )
    return (
        " On average, points estimated from other specimens lie nearer the mean than bone does: "
        f"{', '.join(parts)}."
    )


def trials(settings: Settings, elements: Sequence[Analysed], used: Sequence[str]) -> str:
    """Write how the verdict was tried on the sample itself.

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
        Marked text; blank where nothing was tried.
    """
    parts = (
        _left_out(elements, used),
        _other_choices(elements),
        _tempering(settings, elements, used),
        _sample_size(settings, elements, used),
    )
    return " ".join(part.strip() for part in parts if part)
