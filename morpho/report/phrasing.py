"""Sentences made from numbers, hedged as a careful author would."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from morpho.results.wording import number, together

__all__ = [
    "CAUTION", "counted", "number", "observer_words", "p_value_words", "p_words",
    "verdict_reason",
]  # fmt: skip

CAUTION = (
    "Statistical distinctness is evidence, not a diagnosis. A specimen outside these samples may "
    "be a new taxon, a population or growth stage not sampled, or a bone changed by injury, "
    "disease or burial. Naming follows the international code of the field and the judgement of "
    "specialists. Precise localities stay private unless you publish them yourself."
)


def p_words(p: float) -> str:
    """A p-value as text: three decimals, 'below 0.001' or 'above 0.999'.

    Parameters
    ----------
    p : float

    Returns
    -------
    str
    """
    if p != p:
        return "p not known"
    words = p_value_words(p)
    return f"p = {words}" if words[0].isdigit() else f"p {words}"


def p_value_words(p: float) -> str:
    """A p-value as text where the words before it say what it is: 0.012, or 'below 0.001'.

    Parameters
    ----------
    p : float

    Returns
    -------
    str
    """
    if p != p:
        return "not known"
    if p < 0.001:
        return "below 0.001"
    return "above 0.999" if 0.9995 <= p < 1 else f"{p:.3f}"


def observer_words(p: float | None, alpha: float) -> str:
    """Whether observers differed, as far as a test can tell.

    Parameters
    ----------
    p : float or None
        Of the test; None or NaN where there was none.
    alpha : float
        Level of the tests.

    Returns
    -------
    str
        A sentence with a space before it; blank without a test.
    """
    if p is None or p != p:
        return ""
    if p <= alpha:
        return f" Observers differed ({p_words(p)})."
    return f" No difference between observers was detected ({p_words(p)})."


def counted(count: int, noun: str) -> str:
    """A count with its noun: 1 specimen, 2 specimens.

    Parameters
    ----------
    count : int
    noun : str
        In the singular; its plural ends in s.

    Returns
    -------
    str
    """
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def _drawn_words(row: Mapping[str, Any]) -> str:
    """How the verdict came out when missing landmarks were drawn from their spread."""
    total = int(row["imputations"])
    parts = [
        f"{int(row[f'imputations_{name}'])} {name}"
        for name in ("outside", "inside", "undecided")
        if row[f"imputations_{name}"]
    ]
    return f"of {counted(total, 'draw')} from the spread of the estimates, {', '.join(parts)}"


def _support(row: Mapping[str, Any]) -> str:
    """What a verdict of outside rests on besides the tests themselves."""
    text = ""
    if row["beyond_all_members"]:
        text += " It lies further out than every member of each taxon."
    if row["ranking_rejects"]:
        text += f" The ranking among all {row['specimens']} known specimens rejects as well."
    else:
        text += (
            f" The ranking among all {row['specimens']} known specimens does not reject by "
            "itself for each taxon, so the verdict rests on the normal distribution."
        )
    return text


_WAYS = {False: "as it is", True: "at its own size"}


def _each_kept(keepers: Sequence[Any], sized: bool) -> list[tuple[str, str]]:
    """Taxa in the order given, each with its p-values and its distance in brackets."""
    each = []
    for i, one in enumerate(keepers):
        p = [p_value_words(one.p_value_as_it_is), p_value_words(one.p_value_size_heeded)]
        shown = [*p[: 1 + sized], number(one.distance)]
        if i == 0:  # those after it have the same numbers in the same order
            heads = [*["p-value {} as it is", "{} at its own size"][: 1 + sized], "distance {}"]
            shown = [head.format(value) for head, value in zip(heads, shown, strict=True)]
        each.append((one.taxon, f"({', '.join(shown)})"))
    return each


def _kept(row: Mapping[str, Any], sized: bool) -> str:
    """Every taxon that keeps a query, the nearest first, and how well; none is it for that."""
    heeded = sized and row["ground"] != "size_hides"
    keepers = [one for one in row["keepers"] if one.keeps]
    small = [one for one in row["keepers"] if not (one.keeps or one.keeps_as_it_is)]
    each = _each_kept(keepers, sized)
    text = f"{_WAYS[heeded].capitalize()}, the test"
    if len(keepers) == 1:
        (taxon, how), *_ = each
        text += f" of {taxon} does not reject it at {row['alpha']:g} {how}. The distance is a "
        text += "Procrustes distance"
    else:
        text += f"s of {len(keepers)} taxa do not reject it at {row['alpha']:g}, nearest first: "
        text += f"{'; '.join(map(' '.join, each))}. Distances are Procrustes distances"
    text += f" {_WAYS[heeded]}, the error of the taxon's mean allowed for."
    if heeded and row["ground"] == "one_keeps":
        text += _kept_as_it_is(row)
    if small:
        names = [f"{one.taxon} (n = {one.specimens})" for one in small]
        verb = "does" if len(small) == 1 else "do"
        text += f" {together(names)} {verb} not reject it either, but with too few to judge by."
    return text + " Not to be rejected is no proof that it belongs there."


def _kept_as_it_is(row: Mapping[str, Any]) -> str:
    """Where the answer as it is keeps other taxa than the one at its own size."""
    kept = [one for one in row["keepers"] if one.keeps]
    rejects = [one.taxon for one in kept if one.p_value_as_it_is <= row["alpha"]]
    only = [one for one in row["keepers"] if one.keeps_as_it_is and not one.keeps]
    text = ""
    if rejects:
        every = len(rejects) == len(kept) > 1
        who = f"all {len(kept)} tests" if every else together(rejects)
        text += f" As it is, {who} {'rejects' if len(rejects) == 1 else 'reject'} it"
        if not any(one.keeps_as_it_is for one in row["keepers"]):
            return f"{text}, and the answer is undecided."
        text += "."
    if only:
        each = together(map(" ".join, _each_kept(only, True)))
        text += f" As it is only, {each} {'does' if len(only) == 1 else 'do'} not reject it."
    return f"{text} So which taxa keep it hangs on its size." if text else ""


def _growth(row: Mapping[str, Any], sized: bool) -> str:
    """Cautions about growth and size."""
    if not sized:
        return " Size could not be heeded, so growth is not ruled out."
    text = ""
    if row["beyond_sizes_of"]:
        text += (
            f" Its size lies beyond those measured of {row['beyond_sizes_of']}: there the growth "
            "line is read off where nothing was measured."
        )
    if row["slopes_differ"]:
        text += (
            f" That the taxa share one growth line is rejected at {row['alpha']:g} "
            f"({p_words(row['slopes_p_value'])}), which weakens every comparison at one size."
        )
    return text


def _contradicted(found: Sequence[Any]) -> str:
    """Every taxon that contradicts its test, and by what."""

    def taxa(measure: str, before: str = "") -> list[str]:
        each = [(one.taxon, getattr(one, measure)) for one in found]
        return [f"{taxon} ({before}{p_words(p)})" for taxon, p in each if p == p]

    parts = []
    if wide := taxa("own_spread_p_value"):
        verb = "spreads so widely of itself" if len(wide) == 1 else "each spread so widely"
        parts.append(f"{together(wide)} {verb} that this one may be a member")
    if far := taxa("rank_p_value", "rank "):
        verb = "has" if len(far) == 1 else "have"
        parts.append(f"{together(far)} {verb} members that lie as far from their own kin")
    return "; ".join(parts)


def _contradictions(row: Mapping[str, Any]) -> str:
    """The same, in each of the two ways."""
    return "; ".join(
        f"{_WAYS[heeded]}, {_contradicted(found)}"
        for heeded, found in row["contradictions"].items()
    )


def _why_undecided(row: Mapping[str, Any]) -> str:
    """What leaves one of the two answers undecided, where the other is decided."""
    taxa = row["blocking"].split("; ")
    (way, ground), *_ = row["undecided_grounds"].items()
    which = _WAYS[way]
    if ground == "members_contradict":
        found = row["contradictions"][way]
        return f"{which}, the tests reject every taxon, but {_contradicted(found)}"
    return {
        "spread_unknown": (
            f"{which}, the tests reject every taxon, but of {together(taxa)} one specimen only is "
            "known, so nobody can say how much it varies"
        ),
        "extrapolates": (
            f"{which}, the tests reject every taxon, but for {together(taxa)} only where growth "
            "was not measured"
        ),
        "few_specimens": (
            f"{which}, only taxa with too few specimens to judge by could keep it; {row['taxon']} "
            "has the largest p-value"
        ),
        "no_power": f"{which}, this sample could not have told it outside",
    }[ground]


def verdict_reason(row: Mapping[str, Any]) -> str:
    """Why the verdict is what it is, in a few sentences.

    Parameters
    ----------
    row : mapping
        A row of the table `verdicts` with the facts of
        `morpho.inference.membership.judging.Judgement.facts` (`contradictions` and
        `undecided_grounds` for the grounds that need them), and `alpha`, `specimens`,
        `smallest`, `taxa`, `slopes_differ` and `slopes_p_value` of the sample; or only `ground`
        'no_model', or 'set_aside' with its `set_aside_reason`.

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
    taxon, alpha = row["taxon"], row["alpha"]
    raw, own = row["p_value_as_it_is"], row["p_value_size_heeded"]
    sized = own == own
    # of the taxon that the ground speaks of; those above are the largest over all taxa
    its_raw, its_own = row["taxon_p_value_as_it_is"], row["taxon_p_value_size_heeded"]
    every = "every known taxon" if row["taxa"] > 1 else "the only known taxon"
    each = f"{p_value_words(raw)} as it is"
    each += f", {p_value_words(own)} at its own size" if sized else ""
    both = f"largest {'p-values' if sized else 'p-value'}: {each}"
    text = {
        "all_reject": (
            f"The test of {every} rejects at {alpha:g} ({both}); {taxon} rejects least."
        ),
        "one_keeps": _kept(row, sized) if ground == "one_keeps" else "",
        "size_explains": (
            f"As it is, it lies outside {every} (largest {p_words(raw)}), which its size can "
            f"explain. {_kept(row, sized) if ground == 'size_explains' else ''}"
        ),
        "size_hides": (
            f"{_kept(row, sized) if ground == 'size_hides' else ''} At its own size it lies "
            f"outside {every} (largest {p_words(own)}): the two answers differ, and neither is to "
            "be preferred."
        ),
        "members_contradict": (
            f"The tests reject every taxon ({both}), but the evidence contradicts itself: "
            f"{_contradictions(row) if ground == 'members_contradict' else ''}."
        ),
        "spread_unknown": (
            f"The tests reject every taxon ({both}), but {taxon} is known by one specimen only, "
            "so nobody can say how much it varies."
        ),
        "extrapolates": (
            f"The tests reject every taxon ({both}), but for {taxon} only where its growth was not "
            "measured."
        ),
        "few_specimens": (
            "The only taxa that could keep it, or all taxa, have too few specimens to judge by; "
            f"{taxon} has the largest p-value ({p_value_words(its_raw)} as it is"
            + (f", {p_value_words(its_own)} at its own size)." if sized else ").")
        ),
        "no_power": (
            f"This sample could not have told it outside: with "
            f"{counted(row['specimens'], 'known specimen')} no test can reach {alpha:g}."
        ),
        "imputation_turns": (f"It hangs on landmarks that are missing: {_drawn_words(row)}."),
        "one_undecided": (
            f"One of the two answers, as it is and at its own size, is undecided ({both}): "
            f"{_why_undecided(row) if ground == 'one_undecided' else ''}."
        ),
    }[ground]
    if ground == "all_reject":
        text += _support(row)
    if row["imputations"] and ground != "imputation_turns":
        text += f" Missing landmarks were estimated: {_drawn_words(row)}."
    if row["within_error"]:
        text += (
            " Its difference from a taxon's mean is no larger than that between two digitisations "
            "of one bone."
        )
    return text + _growth(row, sized)
