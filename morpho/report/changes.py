"""What changed since the last complete run, in a few sentences.

A snapshot holds what is compared: plain numbers and texts, to be kept as JSON between runs.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from typing import Any

import pandas as pd

from morpho.results.analysed import Analysed
from morpho.results.wording import number, p_words

__all__ = ["FORMAT", "changed", "snapshot"]

# Snapshots of another format are not compared.
FORMAT = 2

# Axes compared, and how many distances and names are told one by one.
_AXES, _TOLD, _NAMES = 3, 3, 8


def _plain(value: Any) -> Any:
    """A number as JSON can hold it, or None."""
    value = float(value)
    return None if math.isnan(value) else value


def _specimens(
    element: Analysed, digests: Mapping[str, str], said: Mapping[str, Mapping[str, str]]
) -> dict[str, Any]:
    return {
        str(row["specimen"]): {
            "digest": digests.get(str(row["specimen"]), ""),
            "taxon": str(row["taxon"]),
            "role": str(row["role"]),
            "used": bool(row["used"]),
            "said": dict(said.get(str(row["specimen"]), {})),
        }
        for row in element.tables["specimens"].to_dict("records")
    }


def _distances(table: pd.DataFrame) -> list[dict[str, Any]]:
    return [
        {
            "first": str(row["first"]),
            "second": str(row["second"]),
            "size_heeded": bool(row["size_heeded"]),
            "distance": _plain(row["distance"]),
        }
        for row in table.to_dict("records")
    ]


def _verdicts(element: Analysed) -> dict[str, Any]:
    tables = element.tables
    last = tables.get("conclusions")
    final = {} if last is None else dict(zip(last["specimen"], last["verdict"], strict=True))
    return {
        str(row["specimen"]): {
            "verdict": str(final.get(row["specimen"], row["verdict"])),
            "nearest_taxon": str(row["nearest_taxon"]),
            "p_value_as_it_is": _plain(row["p_value_as_it_is"]),
            "p_value_size_heeded": _plain(row["p_value_size_heeded"]),
        }
        for row in tables["verdicts"].to_dict("records")
    }


def snapshot(
    elements: Iterable[Analysed],
    digests: Mapping[str, Mapping[str, str]] | None = None,
    said: Mapping[str, Mapping[str, Mapping[str, str]]] | None = None,
) -> dict[str, Any]:
    """Take from the tables what is compared with the next run.

    Parameters
    ----------
    elements : iterable of Analysed
        Tables of each element.
    digests : mapping of str to mapping of str to str
        By element and specimen, a digest of what was digitised on it.
    said : mapping of str to mapping, optional
        By element and specimen, what its row of the specimen table says beyond taxon and role,
        by column: side, stage, variables of the model. Nothing private.

    Returns
    -------
    dict
        Plain data: the same after a way through JSON.
    """
    digests, said = digests or {}, said or {}
    found = {}
    for element in elements:
        axes = element.tables["variance_per_axis"]
        found[element.name] = {
            "specimens": _specimens(
                element, digests.get(element.name, {}), said.get(element.name, {})
            ),
            "axes": [_plain(share) for share in axes["share_of_variance"].head(_AXES)],
            "axes_retained": int(axes["retained"].sum()),
            "distances": _distances(element.tables["pairwise_distances"]),
            "verdicts": _verdicts(element),
        }
    return {"format": FORMAT, "elements": found}


def _names(names: Iterable[str]) -> str:
    given = sorted(names)
    more = len(given) - _NAMES
    if more > 1:
        return f"{', '.join(given[:_NAMES])} and {more} more"
    return given[0] if len(given) == 1 else f"{', '.join(given[:-1])} and {given[-1]}"


def _standing(one: Mapping[str, Any]) -> str:
    return str(one["role"]) + (f" {one['taxon']}" if one["role"] == "known" else "")


def _of_specimens(before: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    both = sorted(set(before) & set(now))
    told: list[tuple[str, Iterable[str]]] = [
        ("New", set(now) - set(before)),
        ("No longer there", set(before) - set(now)),
        ("Digitised otherwise than before", [
            name for name in both if before[name]["digest"] != now[name]["digest"]
        ]),
        ("Set aside now", [
            name for name in both if before[name]["used"] and not now[name]["used"]
        ]),
        ("Takes part now" , [
            name for name in both if now[name]["used"] and not before[name]["used"]
        ]),
    ]  # fmt: skip
    words = [f"{what}: {_names(names)}." for what, names in told if names]
    for name in both:
        was, is_ = _standing(before[name]), _standing(now[name])
        if was != is_:
            words.append(f"{name} was {was} and is {is_} now.")
        old = before[name]["said"]
        for what, is_ in now[name]["said"].items():
            was = old.get(what, is_)  # of a column that is new nothing is known
            if was != is_:
                words.append(
                    f"{what.capitalize()} of {name}: {is_ or 'not said'}, was {was or 'not said'}."
                )
    return words


def _of_axes(before: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    words = []
    for i, (was, is_) in enumerate(zip(before["axes"], now["axes"], strict=False)):
        shown = [f"{100 * share:.1f} %" for share in (was, is_)]
        if shown[0] != shown[1]:
            words.append(f"axis {i + 1} from {shown[0]} to {shown[1]}")
    text = [f"Share of the variance of shape: {', '.join(words)}."] if words else []
    was, is_ = before["axes_retained"], now["axes_retained"]
    return text + ([f"Axes retained: {was} before, {is_} now."] if was != is_ else [])


def _shown(value: float | None, how: Callable[[float], str]) -> str:
    return how(math.nan if value is None else value)


def _of_distances(before: Iterable[Any], now: Iterable[Any]) -> list[str]:
    def keyed(rows: Iterable[Any]) -> dict[tuple[str, str, bool], float | None]:
        return {(r["first"], r["second"], r["size_heeded"]): r["distance"] for r in rows}

    old, new = keyed(before), keyed(now)
    moved = []
    for key in set(old) & set(new):
        was, is_ = _shown(old[key], number), _shown(new[key], number)
        if was != is_:
            gap = abs((new[key] or 0.0) - (old[key] or 0.0))
            moved.append((-gap, key, was, is_))
    moved.sort()
    words = [
        f"The distance between the mean shapes of {first} and {second}"
        f"{' at one size' if heeded else ''} went from {was} to {is_}."
        for _, (first, second, heeded), was, is_ in moved[:_TOLD]
    ]
    more = len(moved) - _TOLD
    if more > 0:
        words.append(f"{more} other {'distance' if more == 1 else 'distances'} moved by less.")
    return words


def _of_verdicts(before: Mapping[str, Any], now: Mapping[str, Any], moved: bool) -> list[str]:
    """Verdicts that turned or whose evidence moved; the others too where anything `moved`."""
    words = []
    kept: dict[str, list[str]] = {}
    for name in sorted(now):
        row = now[name]
        if name not in before:
            words.append(f"{name} is placed for the first time: {row['verdict']}.")
            continue
        old, parts = before[name], []
        for key, way in (
            ("p_value_as_it_is", "as it is"),
            ("p_value_size_heeded", "at its own size"),
        ):
            was, is_ = _shown(old[key], p_words), _shown(row[key], p_words)
            if was != is_:
                parts.append(f"{way}, {was} before and {is_} now")
        if old["nearest_taxon"] != row["nearest_taxon"]:
            parts.append(
                f"nearest was {old['nearest_taxon'] or 'none'} and is "
                f"{row['nearest_taxon'] or 'none'}"
            )
        evidence = f" ({'; '.join(parts)})" if parts else ""
        if old["verdict"] != row["verdict"]:
            words.append(
                f"The verdict on {name} was {old['verdict']} and is {row['verdict']} now{evidence}."
            )
        elif parts:
            words.append(f"The verdict on {name} is still {row['verdict']}{evidence}.")
        else:
            kept.setdefault(row["verdict"], []).append(name)
    words += [f"{name} is no longer placed." for name in sorted(set(before) - set(now))]
    if moved or words:
        words += [
            f"The verdict on {_names(names)} is still {verdict}, with the same p-values."
            for verdict, names in sorted(kept.items())
        ]
    return words


def changed(before: Mapping[str, Any] | None, now: Mapping[str, Any]) -> dict[str, list[str]]:
    """Say what changed between two runs.

    Parameters
    ----------
    before : mapping or None
        Snapshot of the last complete run; None where there was none.
    now : mapping
        Snapshot of this one.

    Returns
    -------
    dict of str to list of str
        Sentences by element, plain text. An element of which nothing changed that shows in
        the digits told is not in it; empty where nothing changed, or there is nothing to
        compare with.
    """
    if not before or before.get("format") != now["format"]:
        return {}
    result = {}
    for name, element in now["elements"].items():
        old = before["elements"].get(name)
        if old is None:
            result[name] = ["This element is new in the study."]
            continue
        specimens = _of_specimens(old["specimens"], element["specimens"])
        spaces = [
            *_of_axes(old, element),
            *_of_distances(old["distances"], element["distances"]),
        ]
        moved = bool(specimens or spaces)
        verdicts = _of_verdicts(old["verdicts"], element["verdicts"], moved)
        words = [*specimens, *verdicts, *spaces]
        if words:
            result[name] = words
    for name in before["elements"]:
        if name not in now["elements"]:
            result[name] = ["This element is no longer in the study."]
    return result
