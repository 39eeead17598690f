"""What could not be computed, and why: each reason once."""

from __future__ import annotations

from typing import Any

from markupsafe import Markup

from morpho.report.words.filters import sentence
from morpho.report.words.writing import as_plain, said
from morpho.results.analysed import Analysed

__all__ = [
    "failed_surfaces",
    "nothing_to_compare",
    "reason_words",
    "trouble_words",
]

# Steps in the order of the analysis, whatever order the notes were read in; others follow.
_STEPS = ("screen", "measure", "grow", "compare", "discriminate", "place", "differ")


def reason_words(row: dict[str, Any]) -> str:
    """Why a part of a step's work could not be done."""
    return sentence(as_plain(said("trouble", "reason", row)))


def nothing_to_compare(element: Analysed) -> Markup:
    """Why taxa cannot be compared with one another: a clause, blank where they can."""
    table = element.tables["specimens"]
    known = table[table["used"].astype(bool) & (table["role"] == "known")]
    taxa = sorted(map(str, known["taxon"].unique()))
    small = element.notes["compare"].get("left_out", {})
    return said("trouble", "nothing_to_compare", taxa, [name for name in taxa if name not in small])


def _needs_taxa(row: dict[str, Any]) -> bool:
    """Whether it is taxa to compare that a refusal found lacking."""
    term = str(row.get("term", ""))
    return row["code"] in ("no_taxon", "one_taxon") or (
        row["code"] == "repeats" and (term == "taxon" or term.endswith(" by taxon"))
    )


def failed_surfaces(element: Analysed, specimen: str) -> list[str]:
    """Tell which surfaces of a query could not be made, and why."""
    told = [
        said("trouble", "failed", [said("trouble", "part", row)], said("trouble", "reason", row))
        for row in element.notes.get("warp", {}).get("trouble", [])
        if row.get("specimen") == specimen
    ]
    return [sentence(as_plain(text)) for text in told]


def trouble_words(element: Analysed) -> list[str]:
    """Tell what could not be computed, each reason once."""
    lacking = nothing_to_compare(element).strip()
    constant = [str(name) for name in element.notes.get("grow", {}).get("constant", [])]
    words: list[Markup] = []
    needing: dict[Markup, bool] = {}
    if lacking and "taxon" in constant:
        needing[said("trouble", "taxon_term")] = False
    ways: dict[tuple[Markup, Markup], set[bool]] = {}
    for step in [*_STEPS, *sorted(set(element.notes) - set(_STEPS))]:
        for row in element.notes.get(step, {}).get("trouble", []):
            part = said("trouble", "part", row)
            if not row["part"]:
                words.append(said("trouble", "alone", row))
            elif lacking and _needs_taxa(row):
                needing[part] = row["part"] == "discrimination"
            else:
                told = ways.setdefault((part, said("trouble", "reason", row)), set())
                told |= {row["size_heeded"]} if "size_heeded" in row else set()
    if needing:
        plural = len(needing) > 1 or any(needing.values())
        words.append(said("trouble", "without_taxa", lacking, list(needing), plural))
    others = [name for name in constant if name != "taxon" or not lacking]
    if others:
        words.append(said("trouble", "without_terms", others))
    joined: dict[Markup, list[Markup]] = {}
    for (part, reason), heeded in ways.items():
        one = said("trouble", "in_one_way", part, *heeded) if len(heeded) == 1 else part
        joined.setdefault(reason, []).append(one)
    words += [said("trouble", "failed", parts, reason) for reason, parts in joined.items()]
    return list(dict.fromkeys(sentence(as_plain(text)) for text in words))
