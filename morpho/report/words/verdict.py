"""What is told of each query and individual: facts picked from tables, and words made of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd
from markupsafe import Markup

from morpho.inference.robustness.adequacy import specimens_needed
from morpho.inference.robustness.stability import without_suspects
from morpho.report.words.filters import marked_name
from morpho.report.words.suspicions import hangs_on, known_suspects
from morpho.report.words.writing import said

__all__ = ["Told", "left_out_whole", "told_of_individuals", "told_of_queries"]

Tables = Mapping[str, pd.DataFrame]
Facts = dict[str, Any]


@dataclass(frozen=True)
class Told:
    """Marked words on a query by one element.

    Attributes
    ----------
    reason : Markup
        Why the verdict is what it is.
    summary : Markup
        What is concluded and why; it ends with the reason.
    tried : Markup
        Growth, how often the procedure errs, and where the verdict turns; blank of a query that
        was not judged.
    tried_alone : Markup
        The same without how often the procedure errs, which is one for all queries.
    """

    reason: Markup
    summary: Markup
    tried: Markup
    tried_alone: Markup


def _records(table: pd.DataFrame, **chosen: Any) -> list[Facts]:
    """Rows with these values."""
    for column, value in chosen.items():
        table = table[table[column] == value]
    return [{str(key): value for key, value in row.items()} for row in table.to_dict("records")]


def _names(rows: Sequence[Facts], key: str = "taxon") -> list[str]:
    return list(dict.fromkeys(str(row[key]) for row in rows))


def _ways(tables: Tables, specimen: str) -> list[Facts]:
    """The two decisions on a query, each with the taxa that its ground rests on."""
    ways = _records(tables["grounds"].sort_values("size_heeded"), specimen=specimen)
    for way in ways:
        rows = _records(
            tables["grounds_by_taxon"], specimen=specimen, size_heeded=way["size_heeded"]
        )
        way["heeded"] = way["size_heeded"]
        way["keeping"] = _names([row for row in rows if row["bearing"] == "keeps"])
        way["blocking"] = _names([row for row in rows if row["bearing"] == "blocks"])
        for key, column in (("wide", "own_spread_p_value"), ("far", "rank_p_value")):
            way[key] = [row for row in rows if row[column] == row[column]]
    return ways


def _of_verdict(verdict: Facts, ways: Sequence[Facts]) -> Facts:
    """The way that the ground speaks of: at its own size where that is heeded."""
    return ways[0 if verdict["ground"] == "size_hides" else -1]


def _keepers(verdict: Facts, ways: Sequence[Facts], membership: pd.DataFrame) -> list[Facts]:
    """Taxa whose test does not reject in that way, or that keep it as it is, nearest first."""
    way = _of_verdict(verdict, ways)
    rows = membership[membership["specimen"] == verdict["specimen"]]
    chosen = rows[rows["size_heeded"] == way["heeded"]]
    p = {
        heeded: dict(zip(part["taxon"], part["p_value"], strict=True))
        for heeded, part in rows.groupby("size_heeded")
    }
    return [
        {
            "taxon": row["taxon"],
            "specimens": row["taxon_specimens"],
            "distance": row["comparable_distance"],
            "p_value_as_it_is": p[False][row["taxon"]],
            "p_value_size_heeded": p.get(True, {}).get(row["taxon"], float("nan")),
            "keeps": row["taxon"] in way["keeping"],
            "keeps_as_it_is": row["taxon"] in ways[0]["keeping"],
        }
        for row in _records(chosen.sort_values("comparable_distance", kind="stable"))
        if row["p_value"] > verdict["alpha"]
        or row["taxon"] in (*way["keeping"], *ways[0]["keeping"])
    ]


def _reason_facts(verdict: Facts, tables: Tables, notes: Mapping[str, Any]) -> Facts:
    """Pick what the reason of a verdict is told by."""
    specimens, specimen = tables["specimens"], verdict["specimen"]
    if verdict["ground"] == "set_aside":
        (row,) = _records(specimens, specimen=specimen)
        share = notes["prepare"]["missing"]["smallest_share"]
        return verdict | {"aside": row | {"smallest_share": share}}
    if verdict["ground"] == "no_model":
        return verdict
    known = specimens[(specimens["role"] == "known") & specimens["used"]]
    ways, membership = _ways(tables, specimen), tables["membership"]
    facts = verdict | {key: notes["place"][key] for key in ("alpha", "slopes_p_value")}
    facts |= {
        "slopes_differ": notes["place"]["slopes_differ"],
        "specimens": len(known),
        "taxa": known["taxon"].nunique(),
        "sized": verdict["p_value_size_heeded"] == verdict["p_value_size_heeded"],
        "ways": ways,
        "keepers": _keepers(facts, ways, membership),
    }
    for heeded, name in ((False, "as_it_is"), (True, "size_heeded")):
        rows = _records(membership, specimen=specimen, taxon=verdict["taxon"], size_heeded=heeded)
        facts[f"taxon_p_value_{name}"] = rows[0]["p_value"] if rows else float("nan")
    return facts


def _reason(facts: Facts) -> Markup:
    """Why a verdict is what it is: the macro of its ground, and what is added to it."""
    text = said("reason", facts["ground"], facts)
    if facts["ground"] in ("set_aside", "no_model"):
        return text
    return _joined(text, said("reason", "besides", facts))


def _joined(*parts: str) -> Markup:
    """Sentences one after another; what is not marked yet counts as the user's."""
    told = [part.strip() for part in parts if part.strip()]
    return Markup(" ").join(
        part if isinstance(part, Markup) else marked_name(part) for part in told
    )


def _keeping_taxa(tables: Tables, verdict: Mapping[Any, Any]) -> list[str]:
    """Taxa that keep a query, the nearest first."""
    ways = _ways(tables, verdict["specimen"])
    return _of_verdict(dict(verdict), ways)["keeping"] if ways else []


def _blocking_taxa(tables: Tables, verdict: Mapping[Any, Any]) -> list[str]:
    """Taxa that keep rejections from being a verdict of outside."""
    if verdict["verdict"] != "undecided" or verdict["ground"] == "imputation_turns":
        return []
    ways = _ways(tables, verdict["specimen"])
    return list(dict.fromkeys(taxon for way in ways for taxon in way["blocking"]))


def left_out_whole(calibration: pd.DataFrame) -> list[Facts]:
    """Pick the rows on known taxa left out whole.

    Parameters
    ----------
    calibration : DataFrame
        The table `calibration_summary`.

    Returns
    -------
    list of dict
        One of each taxon.
    """
    return _records(calibration[calibration["taxon"] != "all taxa"], left_out="taxon")


def _growth(lines: pd.DataFrame, asks: bool = False) -> Markup:
    near = min(_records(lines), key=lambda row: row["distance"], default=None)
    return said("verdict", "growth", near, asks)


def _stability(verdict: str, summary: pd.DataFrame, settings: pd.DataFrame) -> Markup:
    turning: dict[str, list[str]] = {}
    for row in _records(settings):
        if row["turns"]:
            turning.setdefault(row["choice"], []).append(row["setting"])
    choices = [
        row | {"turning": turning.get(row["choice"], [])}
        for row in sorted(_records(summary), key=lambda row: row["share_holds"])
    ]
    return said("verdict", "stability", verdict, choices)


def _adequacy(verdict: str, needed: pd.DataFrame, blocking: Sequence[str]) -> Markup:
    rows = _records(needed)
    last = rows[-1] if rows else None
    added = specimens_needed(needed) if rows else None
    deciding = next((row for row in rows if row["added"] == added), None)
    nearest = last["taxon"] if last else ""
    others = [taxon for taxon in blocking if taxon != nearest]
    return said("verdict", "adequacy", verdict, last, deciding, others, nearest in blocking)


def _summary(
    row: Facts,
    element: str,
    kept: Sequence[str],
    reason: Markup,
    suspected: pd.DataFrame,
    of_known: pd.DataFrame,
    without: pd.DataFrame,
) -> Markup:
    """What is concluded and why; what is suspected comes before the reason."""
    hangs = hangs_on(of_known, without) if without["turns"].any() else ""
    look = suspected.to_dict("records")
    return _joined(
        said("verdict", "opening", row["specimen"], element, row["verdict"], kept, hangs),
        said("suspicions", "of_query", look) if look else "",
        said("verdict", "tempered", row),
        known_suspects(row, of_known, without),
        reason,
    )


def told_of_queries(element: str, tables: Tables, notes: Mapping[str, Any]) -> dict[str, Told]:
    """Make words on each query of an element.

    Parameters
    ----------
    element : str
    tables : mapping of str to DataFrame
    notes : mapping of str to mapping
        By step; of them `place` is read.

    Returns
    -------
    dict of str to Told
        By specimen.
    """
    specimens, suspicions = tables["specimens"], tables["suspicions"]
    judged_by = specimens.loc[(specimens["role"] == "known") & specimens["used"], "specimen"]
    of_known = suspicions[suspicions["specimen"].isin(judged_by)]
    each = left_out_whole(tables["calibration_summary"])
    conclusions = {row["specimen"]: row for row in _records(tables["conclusions"])}
    told = {}
    for verdict in _records(tables["verdicts"]):
        name = verdict["specimen"]
        row = conclusions[name]
        lines, settings, summary, needed, suspected = (
            tables[table][tables[table]["specimen"] == name]
            for table in (
                "trajectories", "stability", "stability_summary", "specimens_to_decide",
                "suspicions",
            )
        )  # fmt: skip
        reason = _reason(_reason_facts(verdict, tables, notes))
        kept = _keeping_taxa(tables, verdict)
        without = without_suspects(settings)
        begun = _summary(row, element, kept, reason, suspected, of_known, without)
        where = (
            _stability(row["verdict_before"], summary, settings),
            _adequacy(row["verdict"], needed, _blocking_taxa(tables, verdict)),
        )
        errs = said("verdict", "calibration", row, each)
        tried = _joined(_growth(lines, asks=True), errs, *where), _joined(_growth(lines), *where)
        judged = verdict["verdict_as_it_is"] != ""
        told[name] = Told(reason, begun, *(tried if judged else (Markup(), Markup())))
    return told


def told_of_individuals(
    joined: Tables, conclusions: Mapping[str, pd.DataFrame]
) -> dict[str, Markup]:
    """Make words on each individual by all its elements.

    Parameters
    ----------
    joined : mapping of str to DataFrame
        Tables of all elements together.
    conclusions : mapping of str to DataFrame
        Table `conclusions` of each element.

    Returns
    -------
    dict of str to Markup
        By specimen.
    """
    told = {}
    for row in _records(joined["individuals"]):
        evidence = joined["individual_evidence"]
        evidence = evidence[evidence["specimen"] == row["specimen"]]
        elements = [
            {"element": element, "verdict": found["verdict"]}
            for element in sorted(set(evidence["element"]))
            for found in _records(conclusions[element], specimen=row["specimen"])
        ]
        combined = evidence.dropna(subset="combined_p_value").drop_duplicates("taxon")
        best = _records(combined.sort_values("combined_p_value", ascending=False, kind="stable"))
        told[row["specimen"]] = said(
            "individual",
            "individual",
            row["specimen"],
            row["verdict"],
            elements,
            best[0] if best else None,
            _names(_records(combined, kept=True)),
            sorted(_names(_records(evidence, doubted=True), "element")),
        )
    return told
