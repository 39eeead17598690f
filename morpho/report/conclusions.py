"""One paragraph on each query: the verdict, what it rests on, and how far to trust it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from morpho.inference.robustness.adequacy import specimens_needed
from morpho.report.phrases import percent
from morpho.report.phrasing import counted, number, p_value_words
from morpho.report.words.suspicions import hangs_on, known_suspects, query_suspicions
from morpho.results.wording import together

__all__ = [
    "conclusion_words", "individual_words", "noticed_words", "opening", "summary_words",
    "trial_words",
]  # fmt: skip

# Kinds of choices and settings that are named.
_NAMED = 3
# Taxa that keep a query, up to which the first sentence names them all; the reason always does.
_KEPT = 6


def opening(specimen: str, element: str, verdict: str, kept: Sequence[str]) -> str:
    """First sentence: what is concluded.

    Parameters
    ----------
    specimen, element : str
    verdict : str
    kept : sequence of str
        Taxa whose tests do not reject the query, the nearest first.

    Returns
    -------
    str
    """
    bone = element.replace("_", " ")
    more = len(kept) - _NAMED
    first = [*kept[:_NAMED], f"{more} more, all of them named below"]
    taxa = (
        f"{len(kept)} known taxa, nearest first: {together(first if len(kept) > _KEPT else kept)}"
    )
    return {
        "outside": f"By its {bone}, {specimen} falls outside every known taxon of this sample.",
        "inside": f"By its {bone}, {specimen} cannot be told from "
        f"{taxa if len(kept) > 1 else together(kept)}.",
        "undecided": f"By its {bone}, {specimen} can be told neither outside nor inside.",
    }[verdict]


def _tempered(row: Mapping[str, Any]) -> str:
    """Why a verdict was taken back; of suspected known specimens `known_suspects` tells."""
    was, why = row["verdict_before"], row["tempered_by"]
    return {
        "": "",
        "suspected_slip": (
            f" By itself the procedure says {was}; but that hangs on what is suspected here, so "
            "nothing is concluded until it is checked."
        ),
        "suspected_specimens": "",
        "false_alarms": (
            f" By itself the procedure says {was}; but it says so of more of this sample's own "
            "specimens than its level allows, so nothing is concluded."
        ),
        "never_notices": (
            f" By itself the procedure says {was}; but in this sample it noticed no member of any "
            "taxon that was left out, so nothing is concluded."
        ),
        "unstable": (
            f" By itself the procedure says {was}; but that turns too often with one kind of "
            f"choice ({row['choice']}), so nothing is concluded."
        ),
    }[why]


def _juvenile(lines: pd.DataFrame) -> str:
    """The query against the growth line that it lies nearest to."""
    if lines.empty:
        return ""
    near = lines.iloc[int(lines["distance"].to_numpy().argmin())]
    slope = "its own slope" if near["growth_line"] == "own" else "the slope that taxa share"
    text = (
        f" At its own size it lies nearest to the growth line of {near['taxon']} ({slope}), "
        f"{number(near['distance'])} away in Procrustes distance, the error of the line allowed "
        f"for; {int(near['members_as_far'])} of its "
        f"{counted(int(near['taxon_specimens']), 'member')} lie as far from the line that the "
        "others draw."
    )
    beyond = near["sizes_beyond"]
    if beyond != beyond:
        text += f" All members of {near['taxon']} have one size, so its growth is not known."
    elif beyond > 0:
        text += (
            f" That line is read off beyond the sizes measured of {near['taxon']}, by "
            f"{percent(beyond)} of their range (in logarithms)."
        )
    if near["stage"]:
        count = int(near["same_stage_specimens"])
        text += f" It is recorded as {near['stage']}; of {near['taxon']} the sample holds " + (
            f"{counted(count, 'specimen')} of that stage."
            if count
            else "none of that stage, so that stage and taxon cannot be told apart there."
        )
    return text


def noticed_words(calibration: pd.DataFrame) -> tuple[str, str]:
    """How many members of each taxon were noticed when it was left out whole, and what that tells.

    Parameters
    ----------
    calibration : DataFrame
        The table `calibration_summary`.

    Returns
    -------
    counts, meaning : str
        Blank where no taxon was left out. There is no share over all taxa: their members stand
        for as many taxa as there are and not for new ones.
    """
    each = calibration[(calibration["left_out"] == "taxon") & (calibration["taxon"] != "all taxa")]
    if each.empty:
        return "", ""
    counts = [
        f"{row['outside']:.0f} of {row['specimens']:.0f} ({row['taxon']})"
        for row in each.to_dict("records")
    ]
    return together(counts), (
        "a result for these taxa, not for new ones at large"
        if each["outside"].sum()
        else "the procedure may be blind to a new taxon"
    )


def _calibration(row: Mapping[str, Any], calibration: pd.DataFrame) -> str:
    """How often the procedure is wrong on this sample."""
    text = ""
    if row["left_out_specimens"]:
        text += (
            f" Of {int(row['left_out_specimens'])} known specimens left out in turn, the same "
            f"procedure told {int(row['false_alarms'])} outside, which by their labels they are "
            f"not (exact 95 % interval {percent(row['false_alarms_low'])} to "
            f"{percent(row['false_alarms_high'])})."
        )
    counts, meaning = noticed_words(calibration)
    if counts:
        return text + (
            f" Each known taxon left out whole, it noticed of their members {counts}: {meaning}."
        )
    return text + " With one known taxon nobody can say how well a new one would be noticed."


def _settings(text: str, count: int) -> str:
    names = text.split("; ")
    more = count - _NAMED
    return ", ".join(names[:_NAMED]) + (f" and {more} more" if more > 0 else "")


def _stability(verdict: str, stability: pd.DataFrame) -> str:
    """Where the verdict holds, and the choices that turn it."""
    if stability.empty:
        return ""
    total, holds = int(stability["settings"].sum()), int(stability["holds"].sum())
    if holds == total:
        return f" {verdict.capitalize()} holds in all {total} other settings that were tried."
    text = f" {verdict.capitalize()} holds in {holds} of {total} other settings that were tried"
    turned = stability[stability["share_holds"] < 1].sort_values("share_holds", kind="stable")
    parts = [
        f"{row['choice']} ({_settings(row['turning_settings'], row['settings'] - row['holds'])})"
        for row in turned.head(_NAMED).to_dict("records")
    ]
    text += f"; what turns it most: {'; '.join(parts)}."
    return text


def _adequacy(verdict: str, needed: pd.DataFrame, blocking: str) -> str:
    """Whether more specimens would decide; `blocking` names the taxa that stand in the way."""
    if needed.empty or verdict == "outside":
        return ""
    last = needed.iloc[-1]
    taxon, most = last["taxon"], int(last["added"])
    if verdict == "inside":
        return (
            f" Would more specimens of {taxon} change that? With {most} more, invented from the "
            f"fitted model, it came out outside in {percent(last['outside'])} of simulations."
        )
    added = specimens_needed(needed)
    others = [name for name in blocking.split("; ") if name not in ("", taxon)]
    if added != added and others:
        stand, them = ("stands", "it") if len(others) == 1 else ("stand", "them")
        as_well = " as well" if taxon in blocking.split("; ") else ""
        return (
            f" More specimens of {taxon}, its nearest taxon, did not by themselves decide four of "
            f"five simulations (with {most} more, invented from the fitted model, "
            f"{percent(last['undecided'])} stayed undecided): {together(others)} {stand} in the "
            f"way{as_well}, and more specimens of {them} were not tried."
        )
    if added != added:
        return (
            f" More specimens of {taxon}, its nearest taxon, did not decide four of five "
            f"simulations: with {most} more, invented from the fitted model, "
            f"{percent(last['undecided'])} stayed undecided."
        )
    row = needed[needed["added"] == added].iloc[0]
    if not added:
        return ""
    return (
        f" With about {counted(int(added), 'more specimen')} of {taxon}, its nearest taxon, "
        f"invented from the fitted model, four of five simulations decide: "
        f"{percent(row['outside'])} outside, {percent(row['inside'])} inside."
    )


def summary_words(
    row: Mapping[str, Any],
    element: str,
    verdict: Mapping[str, Any],
    suspected: pd.DataFrame | None = None,
    of_known: pd.DataFrame | None = None,
    without: pd.DataFrame | None = None,
) -> str:
    """What is concluded and why: the beginning of the paragraph of `conclusion_words`.

    Parameters
    ----------
    row, element, verdict, suspected, of_known, without
        As there. What is suspected comes before the reason.

    Returns
    -------
    str
    """
    kept = str(verdict["taxa_not_rejected"]).split("; ")
    text = opening(row["specimen"], element, row["verdict"], kept)
    if of_known is not None and without is not None and without["turns"].any():
        text = f"{text.removesuffix('.')}, as that {hangs_on(of_known, without)}."
    if suspected is not None:
        text += query_suspicions(suspected)
    text += _tempered(row) + known_suspects(row, of_known, without)
    return text + " " + verdict["reason"]


def trial_words(
    row: Mapping[str, Any],
    lines: pd.DataFrame,
    stability: pd.DataFrame,
    needed: pd.DataFrame,
    blocking: str = "",
) -> str:
    """What the paragraph of `conclusion_words` adds on this query alone: growth, other choices.

    Parameters
    ----------
    row, lines, stability, needed
        As there.
    blocking : str
        Of the row of the table `verdicts`.

    Returns
    -------
    str
        Without calibration, which is one for all queries of an element; blank where nothing
        was tried.
    """
    parts = (
        _juvenile(lines),
        _stability(row["verdict_before"], stability),
        _adequacy(row["verdict"], needed, blocking),
    )
    return "".join(parts).strip()


def conclusion_words(
    row: Mapping[str, Any],
    element: str,
    verdict: Mapping[str, Any],
    lines: pd.DataFrame,
    stability: pd.DataFrame,
    needed: pd.DataFrame,
    calibration: pd.DataFrame,
    suspected: pd.DataFrame | None = None,
    of_known: pd.DataFrame | None = None,
    without: pd.DataFrame | None = None,
) -> str:
    """Paragraph on one query by one element.

    Parameters
    ----------
    row : mapping
        Row of the table `conclusions`, without its paragraph.
    element : str
    verdict : mapping
        Row of the table `verdicts`.
    lines, stability, needed : DataFrame
        Rows of `trajectories`, `stability_summary` and `specimens_to_decide` on the query.
    calibration : DataFrame
        The table `calibration_summary`.
    suspected, of_known : DataFrame, optional
        Rows of `suspicions` on the query, and on the known specimens.
    without : DataFrame, optional
        Rows of `stability` on the query without suspected known specimens, and whether each
        `turns` the verdict.

    Returns
    -------
    str
    """
    text = summary_words(row, element, verdict, suspected, of_known, without)
    if verdict["verdict_as_it_is"] == "":
        return text
    return (
        text
        + (" Only a growth stage?" if len(lines) else "")
        + _juvenile(lines)
        + _calibration(row, calibration)
        + _stability(row["verdict_before"], stability)
        + _adequacy(row["verdict"], needed, verdict.get("blocking", ""))
    )


def individual_words(
    specimen: str,
    verdict: str,
    elements: pd.DataFrame,
    evidence: pd.DataFrame,
    doubted: Sequence[str] = (),
) -> str:
    """Paragraph on one individual by all its elements.

    Parameters
    ----------
    specimen : str
    verdict : str
        All elements combined.
    elements : DataFrame
        `element` and `verdict` of each that was judged.
    evidence : DataFrame
        `taxon`, `combined_p_value` and `kept`, whether no element rejects it.
    doubted : sequence of str
        Elements whose evidence was left out, as their verdicts hang on what screening suspects.

    Returns
    -------
    str
    """
    each = ", ".join(
        f"{row['element'].replace('_', ' ')} {row['verdict']}"
        for row in elements.to_dict("records")
    )
    if elements.empty:
        return f"No element of {specimen} could be held against the known taxa."
    if len(elements) == 1:
        return f"{specimen} is judged by one element only ({each})."
    worst = evidence.iloc[int(evidence["combined_p_value"].to_numpy().argmax())]
    text = (
        f"{specimen} by {counted(len(elements), 'element')} ({each}): combined by Bonferroni's "
        "rule, which holds whatever the dependence between elements of one animal, "
        f"{worst['taxon']} has the largest p-value ({p_value_words(worst['combined_p_value'])}). "
    )
    if doubted:
        names = together([name.replace("_", " ") for name in doubted])
        text += f"What hangs on suspected digitisations is left out of that: {names}. "
    told = set(elements["verdict"])
    kept = together(list(evidence.loc[evidence["kept"], "taxon"]), "or")
    if {"outside", "inside"} <= told:
        text += "The elements disagree: by chance, or it is a chimaera, a mistake or a mosaic. "
    return (
        text
        + {
            "outside": "Taken together it falls outside every known taxon of this sample.",
            "inside": f"Taken together it cannot be told from {kept}.",
            "undecided": "Taken together it can be told neither outside nor inside.",
        }[verdict]
    )
