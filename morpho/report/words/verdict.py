"""What is told of each query and individual: facts picked from tables, and words made of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd
from markupsafe import Markup

from morpho.inference.robustness.adequacy import specimens_needed
from morpho.inference.robustness.noticing import ENOUGH
from morpho.inference.robustness.stability import without_suspects
from morpho.report.words.filters import marked_name
from morpho.report.words.suspicions import hangs_on, known_suspects
from morpho.report.words.writing import said

__all__ = [
    "Told", "left_out_whole", "noticing_words", "told_of_individuals", "told_of_queries",
]  # fmt: skip

Tables = Mapping[str, pd.DataFrame]
Facts = dict[str, Any]


@dataclass(frozen=True)
class Told:
    """Marked words on a query by one element.

    Attributes
    ----------
    answer : Markup
        What is concluded and how far it lies; where nothing is concluded, by what.
    step : Markup
        What would help next, where nothing is concluded.
    reason : Markup
        Why the verdict is what it is, as far as the answer does not say so.
    tried : Markup
        Growth, how often the procedure errs, and where the verdict turns; blank of a query that
        was not judged.
    tried_alone : Markup
        The same without how often the procedure errs, which is one for all queries.
    """

    answer: Markup
    step: Markup
    reason: Markup
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
            "distance": row["relative_distance"],
            "p_value_as_it_is": p[False][row["taxon"]],
            "p_value_size_heeded": p.get(True, {}).get(row["taxon"], float("nan")),
            "keeps": row["taxon"] in way["keeping"],
            "keeps_as_it_is": row["taxon"] in ways[0]["keeping"],
        }
        for row in _records(chosen.sort_values("relative_distance", kind="stable"))
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
        "nearest": min(
            _records(membership, specimen=specimen), key=lambda row: row["relative_distance"]
        ),
        "error_told_by": _records(tables["specimen_error"], specimen=specimen)[0]["told_by"],
    }
    for heeded, name in ((False, "as_it_is"), (True, "size_heeded")):
        rows = _records(membership, specimen=specimen, taxon=verdict["taxon"], size_heeded=heeded)
        facts[f"taxon_p_value_{name}"] = rows[0]["p_value"] if rows else float("nan")
    return facts


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
    """Pick the rows on known taxa left out whole."""
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


def _size(lines: pd.DataFrame, taxa: Sequence[str]) -> str:
    """Whether a query is smaller or larger than all members of some taxa; blank if neither."""
    chosen = lines[lines["taxon"].isin(taxa)]
    if chosen.empty:
        return ""
    if (chosen["log_centroid_size"] < chosen["smallest_log_size"]).all():
        return "small"
    return "large" if (chosen["log_centroid_size"] > chosen["largest_log_size"]).all() else ""


def _next_facts(row: Facts, verdict: Facts, tables: Tables) -> Facts:
    """Pick what the next step is told by."""
    specimen, lines = row["specimen"], tables["trajectories"]
    turned = row["choice"] == "growth not extrapolated"
    beyond = verdict["beyond_sizes_of"].split(", ") if turned else _blocking_taxa(tables, verdict)
    points, calibration = tables["estimated_points"], tables["calibration"]
    alarms = calibration[
        (calibration["left_out"] == "specimen") & (calibration["verdict"] == "outside")
    ]
    needed = _records(tables["specimens_to_decide"], specimen=specimen)
    more = [each for each in needed if each["added"]]
    return verdict | {
        "choice": row["choice"],
        "kept": _keeping_taxa(tables, verdict),
        "blocking": beyond,
        "size": _size(lines[lines["specimen"] == specimen], beyond),
        "missing": _lost(points[points["specimen"] == specimen]),
        "alarms": alarms["specimen"].tolist(),
        "more": next(
            (each for each in more if each["outside"] >= ENOUGH - 1e-9),
            max(more, key=lambda each: each["outside"], default=None),
        ),
    }


def _lost(points: pd.DataFrame) -> list[str]:
    """Landmarks, curves and patches of which points are estimated."""
    return list(dict.fromkeys(points["point"].str.replace(r"\.\d+$", "", regex=True)))


def _next(row: Facts, verdict: Facts, facts: Facts, tables: Tables) -> Markup:
    """The cheapest next step, where nothing is concluded."""
    if row["verdict"] != "undecided":
        return Markup()
    cause = row["tempered_by"] or verdict["ground"]
    if cause == "one_undecided":
        cause = next(way["ground"] for way in facts["ways"] if way["verdict"] == "undecided")
    return said("next", cause, facts | _next_facts(row, verdict, tables))


def _notices(tables: Tables) -> Facts | None:
    """The row on what this sample notices; none where that could not be found."""
    row = next(iter(_records(tables["noticing"])), None)
    return row and row | {"enough": ENOUGH}


def noticing_words(tables: Tables) -> Markup:
    """Tell what differences a sample notices."""
    landmarks = tables["noticing_landmarks"].sort_values("smallest_mm", kind="stable")
    return said("verdict", "notices", _notices(tables), _records(landmarks))


def _answer(
    row: Facts,
    element: str,
    facts: Facts,
    why: Markup,
    tables: Tables,
    of_known: pd.DataFrame,
    without: pd.DataFrame,
) -> Markup:
    """What is concluded; what is suspected comes before all that hangs on it."""
    hangs = hangs_on(of_known, without) if without["turns"].any() else ""
    look = _records(tables["suspicions"], specimen=row["specimen"])
    kept = _keeping_taxa(tables, facts)
    landmarks = row["rests_on"].split("; ") if row["rests_on"] else []
    return _joined(
        said("verdict", "opening", row["specimen"], element, row["verdict"], kept, hangs),
        said("suspicions", "of_query", look) if look else "",
        said("verdict", "tempered", row, kept, _notices(tables)),
        known_suspects(row, of_known, without),
        why,
        said("verdict", "how_far", facts) if "nearest" in facts else "",
        said("verdict", "rests", landmarks),
    )


def told_of_queries(element: str, tables: Tables, notes: Mapping[str, Any]) -> dict[str, Told]:
    """Make words on each query of an element."""
    specimens, suspicions = tables["specimens"], tables["suspicions"]
    judged_by = specimens.loc[(specimens["role"] == "known") & specimens["used"], "specimen"]
    of_known = suspicions[suspicions["specimen"].isin(judged_by)]
    each = left_out_whole(tables["calibration_summary"])
    conclusions = {row["specimen"]: row for row in _records(tables["conclusions"])}
    told = {}
    for verdict in _records(tables["verdicts"]):
        name = verdict["specimen"]
        row = conclusions[name]
        lines, settings, summary, needed = (
            tables[table][tables[table]["specimen"] == name]
            for table in ("trajectories", "stability", "stability_summary", "specimens_to_decide")
        )
        facts = _reason_facts(verdict, tables, notes)
        why = said("reason", facts["ground"], facts)
        besides = said("reason", "besides", facts) if "ways" in facts else Markup()
        undecided = verdict["verdict"] == "undecided"
        first = why if undecided else Markup()
        answer = _answer(row, element, facts, first, tables, of_known, without_suspects(settings))
        reason = besides if undecided else _joined(why, besides)
        where = [_stability(row["verdict_before"], summary, settings)]
        more = _adequacy(row["verdict"], needed, _blocking_taxa(tables, verdict))
        step = _joined(_next(row, facts, facts, tables), more if undecided else "")
        if not undecided and not row["tempered_by"]:
            where.append(more)
        errs = said("verdict", "calibration", row, each)
        tried = _joined(_growth(lines, asks=True), errs, *where), _joined(_growth(lines), *where)
        judged = verdict["verdict_as_it_is"] != ""
        told[name] = Told(answer, step, reason, *(tried if judged else (Markup(), Markup())))
    return told


def told_of_individuals(
    joined: Tables, conclusions: Mapping[str, pd.DataFrame]
) -> dict[str, Markup]:
    """Make words on each individual by all its elements."""
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
