"""What could not be computed, and why, in plain words."""

from __future__ import annotations

import re
from collections.abc import Mapping

from morpho.results.analysed import Analysed
from morpho.results.wording import counted, together

__all__ = ["failed_surfaces", "nothing_to_compare", "sentence", "tested_taxa", "trouble_words"]

# What a step calls its parts, in words; a part without a name is the whole step.
_PARTS: Mapping[str, Mapping[str, str]] = {
    "screen": {"screening": "the screening for slips"},
    "measure": {"digitising error": "the digitising error", "asymmetry": "the test of sides"},
    "grow": {
        "model": "the linear model of shape",
        "slopes": "the test whether taxa share one growth line",
        "growth line": "the growth line",
    },
    "compare": {
        "criteria": "the multivariate criteria",
        "pairs": "the distances between mean shapes of taxa",
    },
    "discriminate": {"": "canonical axes with cross-validation"},
    "place": {"": "the comparison of queries with the known taxa"},
    "differ": {
        f"measurements ({kind}s)": f"the comparison of {what}"
        for kind, what in (("distance", "distances"), ("angle", "angles"), ("ratio", "ratios"))
    },
}
_WAYS = {"as it is": "as it is", "size heeded": "at one size"}

# Refusals that mean that taxa are lacking to compare.
_ONE_TAXON = re.compile(
    r"at least two are needed|need at least two groups|The term (.* by )?taxon adds nothing"
)
_NO_TAXON = "No taxon has enough specimens"
_TOO_FAR = re.compile(r"(Known specimens|The query) must be superimposed first")
_FEW = re.compile(r"must hold at least (\d+) specimens?, but holds (\d+)")
_FOLDED = re.compile(r"The warp turns (\S+) of the surface inside out")
_REPEATS = re.compile(r"The term (.*) adds nothing: it does not vary, or the terms before it")


def sentence(text: str) -> str:
    """A text as a sentence: a capital at its beginning and a stop at its end.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
        Blank where there is no text.
    """
    text = text.strip()
    if not text:
        return ""
    return text[0].upper() + text[1:] + ("" if text.endswith((".", "!", "?", "…")) else ".")


def tested_taxa(element: Analysed) -> tuple[list[str], list[str]]:
    """Known taxa of an element, and those of them that take part in tests between taxa.

    Parameters
    ----------
    element : Analysed

    Returns
    -------
    taxa, tested : list of str
    """
    table = element.tables["specimens"]
    known = table[table["used"].astype(bool) & (table["role"] == "known")]
    taxa = sorted(map(str, known["taxon"].unique()))
    small = element.notes["compare"].get("left_out", {})
    return taxa, [taxon for taxon in taxa if taxon not in small]


def nothing_to_compare(element: Analysed) -> str:
    """Why taxa cannot be compared with one another, or a blank where they can.

    Parameters
    ----------
    element : Analysed

    Returns
    -------
    str
        A clause without a stop.
    """
    taxa, tested = tested_taxa(element)
    if not tested:
        return (
            "No taxon has enough specimens for tests between taxa (tests: smallest_taxon in "
            "study.yaml)"
        )
    if len(taxa) == 1:
        return "There is one known taxon"
    if len(tested) == 1:
        return f"Only one known taxon, {tested[0]}, has specimens enough for tests between taxa"
    return ""


def _split(element: Analysed, step: str, text: str) -> tuple[str, str, str]:
    """What could not be computed, in which way, and why; the last two blank in a sentence."""
    for part, what in _PARTS.get(step, {}).items():
        for way in ("", *_WAYS):
            start = ", ".join(key for key in (part, way) if key) + ": "
            if start != ": " and text.startswith(start):
                return what, way, text.removeprefix(start)
    if step == "warp":
        what, _, reason = text.partition(": ")
        return what, "", reason
    if step == "differ":
        table = element.tables["specimens"]
        taxa = sorted(set(table["taxon"].astype(str)) - {""}, key=len, reverse=True)
        for query in table.loc[table["role"] == "query", "specimen"].astype(str):
            for taxon in taxa:
                start = f"{query} from {taxon}: "
                if text.startswith(start):
                    what = f"the differences of {query} from {taxon}"
                    return what, "", text.removeprefix(start)
    return text, "", ""


def _plain(reason: str) -> str:
    """A refusal in the words of this trade, as the end of a sentence."""
    too_far, few, repeats = (rule.search(reason) for rule in (_TOO_FAR, _FEW, _REPEATS))
    folded = _FOLDED.search(reason)
    if folded:
        return (
            f"the warp turns {folded[1]} of the surface inside out, as it does where a bone is of "
            "the other side or its landmarks are in another order; see what screening found"
        )
    if reason.startswith("Landmarks ") and " lie at one place" in reason:
        return "two of its landmarks lie at one place; see what screening found"
    if too_far:
        who = "the query" if too_far[1] == "The query" else "a known specimen"
        return (
            f"the shape of {who} lies too far from the mean to be compared landmark by landmark, "
            "as it may where a landmark has slipped; see what screening found"
        )
    if few:
        have = f"there {'is' if few[2] == '1' else 'are'} {counted(int(few[2]), 'specimen')}"
        return f"it takes at least {counted(int(few[1]), 'specimen')}, and {have}"
    if repeats:
        return f"{repeats[1]} does not vary, or the terms of the model before it say the same"
    if "`" in reason:
        return "the numbers of this sample do not allow it"
    plain = re.sub(r"\bgroups\b", "taxa", reason)
    plain = re.sub(r"\bgroup\b", "taxon", plain).strip().rstrip(".")
    return plain[:1].lower() + plain[1:]


def _left_out(element: Analysed, lacking: str) -> list[str]:
    """Terms without which the linear model was made, and tests that need several taxa."""
    constant = [str(name) for name in element.notes.get("grow", {}).get("constant", [])]
    others = [name for name in constant if name != "taxon" or not lacking]
    if not others:
        return []
    return [
        f"The linear model was made without {together(others)}, which "
        f"{'does' if len(others) == 1 else 'do'} not vary among the known specimens."
    ]


def _without_taxa(element: Analysed, lacking: str, parts: list[str]) -> list[str]:
    """One sentence on all that several taxa are needed for."""
    constant = element.notes.get("grow", {}).get("constant", [])
    if "taxon" in constant and lacking:
        parts = ["the term taxon of the linear model", *parts]
    if not parts:
        return []
    verb = "was" if len(parts) == 1 and not parts[0].startswith("canonical axes") else "were"
    return [f"{lacking}, so {together(parts)} {verb} left out."]


def failed_surfaces(element: Analysed, specimen: str) -> list[str]:
    """Tell which surfaces of a query could not be made, and why.

    Parameters
    ----------
    element : Analysed
    specimen : str

    Returns
    -------
    list of str
        Sentences, plain text.
    """
    failed = element.notes.get("warp", {}).get("failed", {}).get(specimen, [])
    parts = [_split(element, "warp", text) for text in failed]
    return [
        f"{sentence(f'{what} could not be computed: {_plain(reason)}')}"
        for what, _, reason in parts
    ]


def trouble_words(element: Analysed) -> list[str]:
    """Tell what could not be computed, each reason once.

    Parameters
    ----------
    element : Analysed
        Its tables and the notes of its steps.

    Returns
    -------
    list of str
        Sentences, plain text.
    """
    lacking = nothing_to_compare(element)
    whole: list[str] = []
    needing: list[str] = []
    reasons: dict[tuple[str, str], list[str]] = {}
    # in the order of the analysis, whatever order the notes were read in
    steps = [*_PARTS, *sorted(set(element.notes) - set(_PARTS))]
    for step in steps:
        for text in element.notes.get(step, {}).get("trouble", []):
            what, way, reason = _split(element, step, text)
            if not reason:
                whole.append(sentence(what))
            elif lacking and (reason.startswith(_NO_TAXON) or _ONE_TAXON.search(reason)):
                needing.append(what)
            else:
                reasons.setdefault((what, _plain(reason)), []).append(way)
    words = [*whole, *_without_taxa(element, lacking, list(dict.fromkeys(needing)))]
    words += _left_out(element, lacking)
    joined: dict[str, list[str]] = {}
    for (what, reason), ways in reasons.items():
        told = [_WAYS[way] for way in dict.fromkeys(ways) if way]
        joined.setdefault(reason, []).append(f"{what} ({told[0]})" if len(told) == 1 else what)
    words += [
        f"{sentence(f'{together(p)} could not be computed: {why}')}" for why, p in joined.items()
    ]
    return list(dict.fromkeys(words))
