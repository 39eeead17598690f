"""What a complete run keeps for the next one, and what changed between two.

A snapshot holds what is compared: plain numbers and texts, to be kept as JSON between runs.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

from morpho.results.store import write_json
from morpho.wording import number, p_value_words

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = [
    "FORMAT", "compared", "digests_of", "keep_snapshot", "kept_snapshot", "said_of", "snapshot",
]  # fmt: skip

# Snapshots of another format are not compared.
FORMAT = 2
_LAST, _BEFORE = "last_run.json", "run_before.json"

# Axes compared, and how many distances are told one by one.
_AXES, _TOLD = 3, 3
_P_VALUES = ("p_value_as_it_is", "p_value_size_heeded")

Changes = list[dict[str, Any]]


def _rows(table: Any, *columns: str) -> list[dict[str, Any]]:
    """Some columns row by row, as JSON can hold them: None where there is no number."""
    part = table[list(columns)]
    part = part.astype(dict.fromkeys(part.select_dtypes("number"), float)).astype(object)
    return part.where(part.notna(), None).to_dict("records")


def _by_specimen(table: Any, *columns: str) -> dict[str, dict[str, Any]]:
    return {row.pop("specimen"): row for row in _rows(table, "specimen", *columns)}


def snapshot(
    elements: Iterable[Any],
    digests: Mapping[str, Mapping[str, str]] | None = None,
    said: Mapping[str, Mapping[str, Mapping[str, str]]] | None = None,
) -> dict[str, Any]:
    """Take from the tables of elements what is compared with the next run, as plain data.

    `digests` are of what was digitised, by element and specimen; `said` is from `said_of`, by
    element.
    """
    found = {}
    for element in elements:
        tables = element.tables
        sums = (digests or {}).get(element.name, {})
        told = (said or {}).get(element.name, {})
        specimens = _by_specimen(tables["specimens"], "taxon", "role", "used")
        for name, row in specimens.items():
            row |= {"digest": sums.get(name, ""), "said": dict(told.get(name, {}))}
        verdicts = _by_specimen(tables["verdicts"], "verdict", "nearest_taxon", *_P_VALUES)
        if "conclusions" in tables:
            final = _by_specimen(tables["conclusions"], "verdict")
            verdicts = {name: row | final.get(name, {}) for name, row in verdicts.items()}
        axes = tables["variance_per_axis"]
        found[element.name] = {
            "specimens": specimens,
            "axes": [
                row["share_of_variance"] for row in _rows(axes.head(_AXES), "share_of_variance")
            ],
            "axes_retained": int(axes["retained"].sum()),
            "distances": _rows(
                tables["pairwise_distances"], "first", "second", "size_heeded", "distance"
            ),
            "verdicts": verdicts,
        }
    return {"format": FORMAT, "elements": found}


def digests_of(rows: Any) -> dict[str, str]:
    """A digest of each specimen's digitisations, whatever the order of rows and files."""
    ordered = rows.sort_values(["specimen", "replicate", "observer", "landmark"], kind="stable")
    columns = ["replicate", "observer", "landmark", "x", "y", "z"]
    found = {}
    for name, part in ordered.groupby("specimen", sort=True):
        text = part[columns].to_csv(index=False, float_format="%.9g", lineterminator="\n")
        found[str(name)] = sha256(text.encode()).hexdigest()[:16]
    return found


def said_of(config: StudyConfig, specimens: Any) -> dict[str, dict[str, str]]:
    """What each specimen's row says that results depend on, but its taxon and role.

    By specimen and column: side, stage, variables of the model. Nothing private.
    """
    terms = [
        name
        for term in config.settings.model.terms
        for name in ([term] if isinstance(term, str) else term)
    ]
    rows = list(specimens.itertuples(index=False, name=None))
    private = config.kept_back("specimens", list(specimens.columns), rows)
    columns = [c for c in dict.fromkeys(["side", "stage", *terms]) if c in specimens.columns]
    told = specimens[[c for c in columns if c not in (*private, "taxon")]].astype(str)
    return told.rename(index=str).to_dict("index")


def kept_snapshot(folder: Path) -> dict[str, Any] | None:
    """The snapshot of the last complete run."""
    try:
        found = json.loads((folder / _LAST).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return found if isinstance(found, dict) else None


def keep_snapshot(folder: Path, now: dict[str, Any]) -> None:
    """Keep a snapshot for the next run; the one before it is kept too."""
    last = kept_snapshot(folder)
    if last == now:
        return
    if last is not None:
        write_json(folder / _BEFORE, last)
    write_json(folder / _LAST, now)


def _of_specimens(before: Mapping[str, Any], now: Mapping[str, Any]) -> Changes:
    both = sorted(set(before) & set(now))
    told = {
        "new": sorted(set(now) - set(before)),
        "gone": sorted(set(before) - set(now)),
        "digitised": [name for name in both if before[name]["digest"] != now[name]["digest"]],
        "set_aside": [name for name in both if before[name]["used"] and not now[name]["used"]],
        "taken_in": [name for name in both if now[name]["used"] and not before[name]["used"]],
    }
    rows: Changes = [{"what": what, "names": names} for what, names in told.items() if names]
    for name in both:
        was, is_ = ({key: one[name][key] for key in ("role", "taxon")} for one in (before, now))
        if was["role"] != is_["role"] or (was != is_ and was["role"] == "known"):
            rows.append({"what": "standing", "specimen": name, "was": was, "now": is_})
        old = before[name]["said"]
        rows += [
            {"what": "said", "specimen": name, "column": column, "was": old[column], "now": text}
            for column, text in now[name]["said"].items()
            # of a column that is new nothing is known
            if old.get(column, text) != text
        ]
    return rows


def _turned(what: str, before: Mapping[str, Any], now: Mapping[str, Any]) -> Changes:
    was, is_ = before[what], now[what]
    return [{"what": what, "was": was, "now": is_}] if was != is_ else []


def _of_axes(before: Mapping[str, Any], now: Mapping[str, Any]) -> Changes:
    axes = [
        {"axis": i, "was": was, "now": is_}
        for i, (was, is_) in enumerate(zip(before["axes"], now["axes"], strict=False), 1)
        if f"{100 * was:.1f}" != f"{100 * is_:.1f}"
    ]
    rows: Changes = [{"what": "axes", "axes": axes}] if axes else []
    return rows + _turned("axes_retained", before, now)


def _number(value: float | None) -> float:
    return math.nan if value is None else value


def _known(value: float) -> float:
    return 0.0 if math.isnan(value) else value


def _of_distances(before: Iterable[Any], now: Iterable[Any]) -> Changes:
    columns = ("first", "second", "size_heeded")
    old, new = (
        {tuple(row[key] for key in columns): _number(row["distance"]) for row in rows}
        for rows in (before, now)
    )
    moved: Changes = [
        {"what": "distance", **dict(zip(columns, key, strict=True)), "was": old[key],
         "now": new[key]}
        for key in sorted(old.keys() & new.keys())
        if number(old[key]) != number(new[key])
    ]  # fmt: skip
    moved.sort(key=lambda row: -abs(_known(row["now"]) - _known(row["was"])))
    more = len(moved) - _TOLD
    rest: Changes = [{"what": "more_distances", "count": more}] if more > 0 else []
    return moved[:_TOLD] + rest


def _evidence(before: Mapping[str, Any], now: Mapping[str, Any]) -> Changes:
    found: Changes = []
    for key in _P_VALUES:
        was, is_ = _number(before[key]), _number(now[key])
        if p_value_words(was) != p_value_words(is_):
            found.append({"what": key, "was": was, "now": is_})
    return found + _turned("nearest_taxon", before, now)


def _of_verdicts(before: Mapping[str, Any], now: Mapping[str, Any], moved: bool) -> Changes:
    """Verdicts that turned or whose evidence moved; the others too where anything `moved`."""
    rows: Changes = []
    kept: dict[str, list[str]] = {}
    for name in sorted(now):
        facts = {"specimen": name, "verdict": now[name]["verdict"]}
        if name not in before:
            rows.append({"what": "first_verdict", **facts})
            continue
        facts["evidence"] = _evidence(before[name], now[name])
        was = before[name]["verdict"]
        if was != facts["verdict"]:
            rows.append({"what": "verdict_turned", "was": was, **facts})
        elif facts["evidence"]:
            rows.append({"what": "evidence_moved", **facts})
        else:
            kept.setdefault(was, []).append(name)
    rows += [{"what": "no_verdict", "specimen": name} for name in sorted(set(before) - set(now))]
    if moved or rows:
        rows += [
            {"what": "verdict_stays", "verdict": verdict, "names": names}
            for verdict, names in sorted(kept.items())
        ]
    return rows


def compared(before: Mapping[str, Any] | None, now: Mapping[str, Any]) -> dict[str, Changes]:
    """Tell what changed between the snapshots of two runs, a row for each change, by element.

    An element of which nothing changed that shows in the digits told is not in it; all is empty
    where there is nothing to compare with.
    """
    if not before or before.get("format") != now["format"]:
        return {}
    result: dict[str, Changes] = {}
    for name, element in now["elements"].items():
        old = before["elements"].get(name)
        if old is None:
            result[name] = [{"what": "element_new"}]
            continue
        specimens = _of_specimens(old["specimens"], element["specimens"])
        spaces = _of_axes(old, element) + _of_distances(old["distances"], element["distances"])
        moved = bool(specimens or spaces)
        rows = [*specimens, *_of_verdicts(old["verdicts"], element["verdicts"], moved), *spaces]
        if rows:
            result[name] = rows
    for name in before["elements"]:
        if name not in now["elements"]:
            result[name] = [{"what": "element_gone"}]
    return result
