"""Sentences made from numbers, hedged as a careful author would."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

__all__ = ["CAUTION", "number", "p_words", "sample_facts", "verdict_reason"]

CAUTION = (
    "Statistical distinctness is evidence, not a diagnosis. A specimen outside these samples may "
    "be a new taxon, a population or growth stage not sampled, or a bone changed by injury, "
    "disease or burial. Naming follows the international code of the field and the judgement of "
    "specialists. Precise localities stay private unless you publish them yourself."
)


def number(value: float) -> str:
    """A number with three significant digits, never in powers of ten for usual sizes.

    Parameters
    ----------
    value : float

    Returns
    -------
    str
        A dash where there is no number.
    """
    if value != value:
        return "–"
    if value == 0:
        return "0"
    if abs(value) >= 1000 or abs(value) < 0.0001:
        return f"{value:.2g}"
    return f"{value:.3g}"


def p_words(p: float) -> str:
    """A p-value as text: three decimals, or 'below 0.001'.

    Parameters
    ----------
    p : float

    Returns
    -------
    str
    """
    if p != p:
        return "p not known"
    return "p below 0.001" if p < 0.001 else f"p = {p:.3f}"


def sample_facts(sample: Mapping[str, Any], prepared: Mapping[str, Any]) -> list[str]:
    """Sentences on who was analysed and on what.

    Parameters
    ----------
    sample : mapping
        Counts `landmarks`, `all_landmarks`, `mirrored`, `averaged`, and the names `dropped`.
    prepared : mapping
        Notes of the step prepare.

    Returns
    -------
    list of str
    """
    facts = [prepared["description"]] if prepared["description"] else []
    facts.append(f"{sample['landmarks']} of {sample['all_landmarks']} landmarks are analysed.")
    if sample["dropped"]:
        facts.append(f"Not all specimens have {', '.join(sample['dropped'])}.")
    if sample["mirrored"]:
        facts.append(f"Mirrored, so that all are {prepared['side']} ones: {sample['mirrored']}.")
    if sample["averaged"]:
        facts.append(f"Averaged from replicates: {sample['averaged']} specimens.")
    outlines = prepared["curves"] + prepared["patches"]
    if outlines:
        facts.append(
            f"Points along curves and patches ({', '.join(outlines)}) were read and checked, and "
            "are not part of this analysis."
        )
    return facts


def verdict_reason(row: Mapping[str, Any]) -> str:
    """Why the verdict is what it is, in one or two sentences.

    Parameters
    ----------
    row : mapping
        A row of the table `verdicts`, with `alpha`, `specimens` and `smallest_taxon` of the
        sample; or `ground` 'set_aside' with its `set_aside_reason`.

    Returns
    -------
    str

    Raises
    ------
    KeyError
        If the ground is unknown.
    """
    ground = row["ground"]
    if ground == "set_aside":
        return f"It takes no part in the analysis: {row['set_aside_reason']}."
    if ground == "no_model":
        return "The known specimens are too few to judge by: no variation within taxa is left over."
    taxon, alpha = row.get("taxon", ""), row["alpha"]
    raw, own = row["p_value_as_it_is"], row["p_value_size_heeded"]
    sized = own == own
    both = f"{p_words(raw)} as it is" + (f", {p_words(own)} at its own size" if sized else "")
    text = {
        "all_reject": (
            f"The test of every known taxon rejects at {alpha:g}; {taxon} comes nearest to "
            f"keeping it (largest p over the taxa: {both})."
        ),
        "one_keeps": (
            f"It lies within the spread of {taxon}: that taxon's test does not reject at {alpha:g} "
            f"(largest p over the taxa: {both}). Lying inside is no proof that it belongs there."
        ),
        "size_explains": (
            f"As it is, it lies outside every known taxon ({p_words(raw)}), but at its own size it "
            f"lies on the growth line of {taxon} ({p_words(own)}): size explains the difference."
        ),
        "size_hides": (
            f"As it is, it lies within the spread of {taxon} ({p_words(raw)}), but not at its own "
            f"size ({p_words(own)}): the two answers differ, and neither is to be preferred."
        ),
        "rank_contradicts": (
            f"The tests reject every taxon, but some specimens of {taxon} lie as far from their "
            "own kin as this one does: the evidence contradicts itself."
        ),
        "few_specimens": (
            f"Only {taxon} does not reject it, and that taxon has too few specimens to judge by."
        ),
        "no_power": (
            f"This sample could not have told it outside: with {row['specimens']} known specimens "
            f"no test can reach {alpha:g}."
        ),
        "one_undecided": (
            f"One of the two answers, as it is and at its own size, is undecided ({both})."
        ),
    }[ground]
    floor = 1 / (row["smallest_taxon"] + 1)
    if ground == "all_reject" and floor > alpha:
        text += (
            f" It lies further out than every member of each taxon; yet with as few as "
            f"{row['smallest_taxon']} specimens in a taxon such a ranking alone cannot go below "
            f"{number(floor)}, so the verdict rests on the normal distribution and on the ranking "
            f"among all {row['specimens']} known specimens."
        )
    if not sized:
        text += " Size could not be heeded: sizes do not vary within taxa."
    elif row.get("extrapolates"):
        text += (
            " Its size lies beyond those of the known specimens: the growth line is read off where "
            "nothing was measured."
        )
    return text
