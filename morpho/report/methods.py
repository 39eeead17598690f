"""The methods section, written from what was really run."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from morpho.inference.models.slopes import FEWEST
from morpho.report.marked import citing, named
from morpho.report.methods_differences import differences, surfaces, together_judged
from morpho.report.methods_trials import effect_of_estimates, trials
from morpho.report.phrases import bone, each, of_bones, percent, times, uncorrected_words
from morpho.report.phrasing import counted, number
from morpho.report.references import Analysed, methods_used
from morpho.report.words.trust import set_aside_words
from morpho.results.wording import together

__all__ = ["methods_paragraphs"]

Settings = Mapping[str, Any]


def _sample(element: Analysed) -> str:
    """Who was analysed, and on what."""
    table, points = element.tables["specimens"], element.tables["mean_shape"]["kind"]
    used = table[table["used"]]
    known = used[used["role"] == "known"]
    taxa = [
        f"{named(str(taxon))}, n = {len(part)}" for taxon, part in known.groupby("taxon", sort=True)
    ]
    queries = int((used["role"] == "query").sum())
    landmarks = element.tables["landmarks"]["used"]
    text = (
        f"For the {bone(element)}, {counted(len(known), 'known specimen')} "
        f"({'; '.join(taxa)}) and {queries} to be placed "
        f"({'query' if queries == 1 else 'queries'}) were analysed on "
    )
    whole = f"all {len(landmarks)} landmarks"
    part = f"{int(landmarks.sum())} of {counted(len(landmarks), 'landmark')}"
    placed = [whole if landmarks.all() and len(landmarks) > 1 else part]
    placed += [
        f"{counted(int((points == kind).sum()), 'semilandmark')} on {times(len(names), kind)}"
        for kind, names in (
            ("curve", element.notes["slide"]["curves"]),
            ("patch", element.notes["slide"]["patches"]),
        )
        if names
    ]
    text += f"{together(placed)}."
    aside = table[~table["used"]]
    if len(aside):
        share = element.notes["prepare"]["missing"]["smallest_share"]
        reasons = [
            f"{named(row['specimen'])} ({row['role']}; {named(set_aside_words(row, share))})"
            for row in aside.to_dict("records")
        ]
        text += f" Set aside: {'; '.join(reasons)}."
    if used["mirrored"].any():
        count, side = int(used["mirrored"].sum()), element.notes["prepare"]["side"]
        text += (
            f" So that all are {side} ones, {counted(count, 'specimen')} of the other side "
            f"{'was' if count == 1 else 'were'} mirrored."
        )
    averaged = int((used["digitisations"] > 1).sum())
    if averaged:
        text += (
            f" Replicate digitisations of {counted(averaged, 'specimen')} were averaged after a "
            f"rigid fit{citing('averaging')}."
        )
    return text


def _estimation(element: Analysed) -> str:
    table = element.tables["estimated_points"]
    if table.empty:
        return ""
    text = (
        f" In the {bone(element)}, {counted(len(table), 'missing point')} of "
        f"{counted(table['specimen'].nunique(), 'specimen')} {'was' if len(table) == 1 else 'were'}"
        f" estimated{citing('estimation')}"
    )
    ways = []
    by = table["estimated_by"].value_counts()
    method = element.notes["slide"]["method"]
    for key, words in (
        ("mirror side", "from the mirror image"),
        (
            "other specimens",
            f"by ridge regression on the points that are there{citing('regression')}"
            if method == "regression"
            else "by a thin-plate spline from the nearest complete specimens",
        ),
    ):
        if key in by.index:
            ways.append(words if len(by) == 1 else f"{by[key]} {words}")
    return text + (f" {ways[0]}." if len(by) == 1 and ways else f": {together(ways)}.")


def _draws(settings: Settings, elements: Sequence[Analysed]) -> str:
    """Estimates that the verdict was made again with."""
    drawn = [
        e for e in elements if len(e.tables["estimated_points"]) and e.notes["slide"]["imputations"]
    ]
    if not drawn:
        return ""
    counts = [counted(e.notes["slide"]["imputations"], "draw") for e in drawn]
    return (
        f" Verdicts were made again with {each(drawn, counts)} from the spread of the estimates; "
        f"one that more than {percent(settings['tests']['alpha'])} of the draws turn is undecided."
    )


def _preparation(settings: Settings, elements: Sequence[Analysed]) -> str:
    """Estimates, sliding, symmetry, distortion."""
    text = "".join(_estimation(element) for element in elements) + _draws(settings, elements)
    slid = [e for e in elements if e.notes["slide"]["curves"] or e.notes["slide"]["patches"]]
    if slid:
        energy = settings["preparation"]["semilandmarks"]["criterion"] == "bending_energy"
        goal = (
            f"the bending energy of the thin-plate spline{citing('bending energy')} from the mean"
            if energy
            else "the Procrustes distance to the mean"
        )
        passes = [
            times(e.notes["slide"]["passes"], "pass")
            + ("" if e.notes["slide"]["converged"] else ", without coming to rest")
            for e in slid
        ]
        text += (
            f" Semilandmarks were slid along curves and surfaces to make {goal} least, and brought "
            f"back to the digitised curve or the scan after each pass{citing('sliding')} "
            f"({each(slid, passes)})."
        )
    for element in elements:
        if element.notes["superimpose"]["symmetric"]:
            text += (
                f" Of the {bone(element)}, the symmetric part of each specimen was analysed"
                f"{citing('symmetry')}."
            )
        bent = element.tables["distortion"]
        if len(bent):
            text += (
                f" Distortion of the {bone(element)} of "
                f"{together([named(name) for name in bent['specimen']])} was removed by "
                f"symmetrisation{citing('distortion')}; what presses both sides alike stays in."
            )
    return text.strip()


def _superimposition(settings: Settings, elements: Sequence[Analysed]) -> str:
    text = (
        "Configurations of the known specimens were superimposed by generalized Procrustes "
        f"analysis{citing('superimposition')}: translated, scaled to unit centroid size and "
        "rotated without reflection. They were projected orthogonally onto the tangent space "
        f"at their mean{citing('tangent space')}. Queries were fitted to that mean and had no "
        "part in it."
    )
    for element in elements:
        notes = element.notes["superimpose"]
        if not notes["converged"]:
            text += (
                f" The superimposition of the {bone(element)} did not come to rest in "
                f"{notes['passes']} passes."
            )
    rule = {
        "share": f"up to a share of {percent(settings['shape_space']['share'])} of the variance",
        "parallel": "by parallel analysis",
        "broken_stick": "by the broken stick",
    }[settings["shape_space"]["axes"]]
    method = {"parallel": "parallel analysis", "broken_stick": "broken stick"}
    cited = method.get(settings["shape_space"]["axes"])
    axes = [
        f"{e.notes['ordinate']['axes_retained']} with {percent(e.notes['ordinate']['share'])} of "
        "the variance"
        for e in elements
    ]
    return text + (
        f" Principal axes of the known specimens were retained {rule}"
        f"{citing(cited) if cited else ''}, never more than {settings['shape_space']['most']} or "
        f"a third of the degrees of freedom within taxa ({each(elements, axes)})."
    )


def _where(table: str, elements: Sequence[Analysed]) -> str:
    """Elements that have rows in a table."""
    return of_bones([e for e in elements if len(e.tables.get(table, ()))], elements)


def _data(elements: Sequence[Analysed], used: Sequence[str]) -> str:
    """Digitising error, screening, sides."""
    parts = []
    if "screening" in used:
        counts = [str(e.notes["screen"]["screened"]) for e in elements]
        parts.append(
            f"Digitisations ({each(elements, counts)}) were screened for slips by a fit that "
            f"resists misplaced landmarks{citing('screening')}; the screening changes nothing."
        )
    if "digitising error" in used:
        parts.append(
            f"Digitising error{_where('digitising_error', elements)} was found from repeated "
            "digitisations of known specimens by "
            f"Procrustes analysis of variance{citing('digitising error')}."
        )
    if "asymmetry" in used:
        parts.append(
            f"Asymmetry{_where('asymmetry', elements)} was split into directional and fluctuating "
            f"by Procrustes analysis of variance{citing('asymmetry')}."
        )
    return " ".join(parts)


def _terms(settings: Settings) -> str:
    return together(
        [
            named(term if isinstance(term, str) else " by ".join(term))
            for term in settings["model"]["terms"]
        ]
    )


def _slopes(tests: Settings, elements: Sequence[Analysed]) -> str:
    """Taxa with a growth line of their own, where the test of equal slopes was made."""
    asked, found = [], []
    for element in elements:
        p = element.notes["grow"]["slopes_p_value"]
        if p is None or p != p:
            continue
        own = element.notes["place"].get("own_slopes", [])
        asked.append(element)
        if p > tests["alpha"]:
            found.append("it did not reject")
        elif own:
            found.append(f"it rejected; own slopes: {together([named(taxon) for taxon in own])}")
        else:
            found.append("it rejected, but no taxon could be given one")
    if not asked:
        return ""
    return (
        " At their own sizes queries are held against lines of one slope, unless the test of equal "
        f"slopes rejects at {number(tests['alpha'])}, with residuals permuted within taxa: then "
        f"taxa of at least {FEWEST} specimens have slopes of their own, and so has a smaller one "
        f"if it is the only one left ({each(asked, found)})."
    )


def _tests(settings: Settings, elements: Sequence[Analysed], used: Sequence[str]) -> str:
    tests, parts = settings["tests"], []
    if "linear model" in used:
        parts.append(
            f"A linear model of shape with the terms {_terms(settings)}, in this order (size: log "
            "centroid size), was tested by sequential sums of squared Procrustes distances: each "
            "term by the residual of the model up to it, with residuals of the model without it "
            f"permuted{citing('linear model')}."
        )
    if "growth line" in used:
        parts.append(
            f"Growth lines have the slope common to all taxa{citing('growth line')}; scores along "
            f"growth follow its direction{citing('regression score')}.{_slopes(tests, elements)}"
        )
    if "criteria" in used:
        parts.append(
            "Differences between taxa on the axes retained were tested by four multivariate "
            f"criteria{citing('criteria')}, with and without size in the model; these tests take "
            "taxa to spread alike, and may reject where small taxa spread more than large ones."
        )
    if "pairs" in used:
        parts.append(
            "Distances between mean shapes were tested pair by pair, each taxon by a variance of "
            f"its own, with p-values adjusted for the number of pairs{citing('pairs')}."
        )
    if "permutation" in used:
        parts.append(
            f"P-values of these tests come from {tests['permutations']} permutations, or from all "
            f"where there are fewer{citing('permutation')}. Taxa with fewer than "
            f"{tests['smallest_taxon']} specimens took no part in tests between taxa."
        )
    if "discriminant" in used:
        folds = tests["folds"]
        how = "each specimen left out in turn" if folds == "leave_one_out" else f"in {folds} folds"
        covariance = (
            f"a shrunken{citing('shrinkage')} covariance"
            if tests["covariance"] == "shrunken"
            else "the pooled covariance"
        )
        parts.append(
            f"Linear discriminants{citing('discriminant')} with {covariance} were cross-validated, "
            f"{how}, with superimposition, axes and growth line found anew without it."
        )
    return " ".join(parts)


def _axes_within(element: Analysed) -> str:
    axes = element.notes["place"]["axes"]
    ways = {"as it is": "as it is", "size heeded": "at its own size"}
    return together(
        [f"{n} {ways[way]} ({percent(share)})" for way, (n, share) in sorted(axes.items())]
    )


def _beyond(settings: Settings, elements: Sequence[Analysed]) -> str:
    """Where taxa do not share one growth line, it is not read off beyond measured sizes."""
    p = [e.notes["grow"]["slopes_p_value"] for e in elements]
    if not any(one is not None and one <= settings["tests"]["alpha"] for one in p):
        return ""
    return ", and where no growth line is read off beyond the sizes of its taxon, as slopes differ"


def _membership(settings: Settings, elements: Sequence[Analysed], used: Sequence[str]) -> str:
    if "typicality" not in used:
        return ""
    judged = [e for e in elements if e.notes["place"]["axes"]]
    alpha = settings["tests"]["alpha"]
    ways = {bool(flag) for e in judged for flag in e.tables["membership"]["size_heeded"]}
    both = " and at its own size" if True in ways else ""
    return (
        f"Each query was held against each known taxon, as it is{both}. Typicality "
        "probabilities come from the predictive F distribution of a new observation on the axes of "
        f"the variation within taxa{citing('typicality')} (axes, with their share of that "
        f"variance: {each(judged, [_axes_within(e) for e in judged])}). They take members to "
        "spread normally about their mean, and all taxa alike; with heavier tails they reject too "
        "often. Rank p-values come from the ranks of Procrustes distances among specimens, the "
        f"query among them, which need no distribution{citing('ranks')}. The p-value against "
        "membership is twice the smaller of typicality probability and pooled rank p-value, at "
        f"most one.{effect_of_estimates(judged)} A query was called outside only where "
        f"the test of every known taxon rejects at {number(alpha)}, an intersection-union test"
        f"{citing('intersection-union')}{', both as it is' + both if both else ''}, and where "
        "neither the ranks within the taxon nor the spread of that taxon alone"
        f"{citing('own spread')} speak against it{_beyond(settings, judged)}; inside where the "
        f"test of a taxon does not reject{' at its own size' if both else ''}; otherwise "
        "undecided. No verdict of inside rests on a taxon of fewer than "
        f"{settings['tests']['smallest_taxon']} specimens; "
        f"all taxa that keep a query are named, the nearest first by Procrustes distance"
        f"{' at its own size' if both else ''}, the error of the taxon's mean allowed for. "
        f"{uncorrected_words(alpha)} Verdicts are statements on these samples and no diagnoses."
    )


def _program(settings: Settings, versions: Mapping[str, str]) -> str:
    given = [f"{name} {version}" for name, version in versions.items()]
    return (
        f"All of this was done with {together(given)}; the seed of every random draw is "
        f"{settings['seed']}."
    )


def methods_paragraphs(
    settings: Settings,
    elements: Sequence[Analysed],
    versions: Mapping[str, str],
    joined: Mapping[str, pd.DataFrame] | None = None,
) -> list[str]:
    """Write the methods section.

    Parameters
    ----------
    settings : mapping
        The settings of study.yaml.
    elements : sequence of Analysed
        Tables and notes of each element.
    versions : mapping of str to str
        Versions of the programs.
    joined : mapping of str to DataFrame, optional
        Tables of all elements together.

    Returns
    -------
    list of str
        A paragraph each, with names and citations marked; see `morpho.report.marked`. Methods
        that were not used, or that could not be, are not named.
    """
    used = methods_used(settings, elements, joined)
    paragraphs = [
        " ".join(_sample(element) for element in elements),
        _preparation(settings, elements),
        _superimposition(settings, elements),
        _data(elements, used),
        _tests(settings, elements, used),
        _membership(settings, elements, used),
        trials(settings, elements, used),
        differences(settings, elements, used),
        surfaces(elements, used),
        together_judged(joined or {}, used),
        _program(settings, versions),
    ]
    return [text for text in paragraphs if text]
