"""Where a verdict holds and where it turns: the procedure again under other choices."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from morpho.inference.membership.judging import Judgement, Rules
from morpho.inference.membership.verdict import Decision
from morpho.inference.models.design import InferenceError
from morpho.inference.robustness.reanalysis import Material, analyse, frame_of
from morpho.shape.checks import ShapeError

__all__ = [
    "ALL_SUSPECTS",
    "CHOICES",
    "OWN_LANDMARKS",
    "SUSPECTS",
    "Doubts",
    "digitised_again",
    "stability_summary",
    "turned",
    "vary",
    "without_suspects",
]  # fmt: skip

Array = NDArray[np.float64]

# The kind of choice that leaves out what screening suspects; it has a rule of its own.
SUSPECTS = "suspects left out"
# Its setting without all suspected specimens together, and that of a query's own landmarks.
ALL_SUSPECTS, OWN_LANDMARKS = "all suspected specimens", "its own suspected landmarks"

# Kinds of choices, in the order they are shown.
CHOICES = (
    "as analysed",
    "size",
    "growth not extrapolated",
    "landmark left out",
    "semilandmarks left out",
    "specimen left out",
    "estimated landmarks",
    "digitising error",
    "distortion",
    SUSPECTS,
)
_COLUMNS = [
    "specimen", "choice", "setting", "verdict", "ground", "kept_by", "p_value_as_it_is",
    "p_value_size_heeded", "turns", "suspected",
]  # fmt: skip


@dataclass(frozen=True)
class Doubts:
    """What else the bones may have looked like.

    Attributes
    ----------
    groups : mapping of str to ndarray
        Semilandmarks that are left out together, by the name of their curve or patch.
    landmarks : mapping of str to int
        Points that are left out by themselves.
    draws : ndarray of shape (n_draws, n_incomplete, n_points, 3)
        Draws of configurations with estimated points.
    incomplete : ndarray of int, of shape (n_incomplete,)
        The specimens they are of.
    again : ndarray of shape (n_draws, n_queries, n_points, 3)
        Queries as they might come out if they were digitised again.
    distorted : mapping of int to ndarray of shape (n_points, 3)
        Specimens whose distortion was removed, as they were before.
    without : mapping of str to Material or None
        The material without known specimens of which screening suspects a digitisation, by
        who is left out; None where nothing is left to judge by.
    own_landmarks : mapping of int to ndarray of int
        Queries of which screening suspects landmarks, and these points of theirs.
    """

    groups: Mapping[str, NDArray[np.intp]] = field(default_factory=dict)
    landmarks: Mapping[str, int] = field(default_factory=dict)
    draws: Array = field(default_factory=lambda: np.empty((0, 0, 0, 3)))
    incomplete: NDArray[np.intp] = field(default_factory=lambda: np.empty(0, dtype=np.intp))
    again: Array = field(default_factory=lambda: np.empty((0, 0, 0, 3)))
    distorted: Mapping[int, Array] = field(default_factory=dict)
    without: Mapping[str, Material | None] = field(default_factory=dict)
    own_landmarks: Mapping[int, NDArray[np.intp]] = field(default_factory=dict)


def digitised_again(
    X: ArrayLike, error_mm: ArrayLike, count: int, rng: np.random.Generator
) -> Array:
    """Draw configurations as they might come out if they were digitised again.

    Parameters
    ----------
    X : array-like of shape (n_specimens, n_points, 3)
        In mm.
    error_mm : array-like of shape (n_points,) or (n_specimens, n_points)
        Root mean square distance of a digitisation from the true place.
    count : int
    rng : numpy.random.Generator

    Returns
    -------
    ndarray of shape (count, n_specimens, n_points, 3)
        Normal errors, alike in all directions. What was digitised has an error already, so
        that these carry two: the draws are a little wider than digitising is.

    Raises
    ------
    InferenceError
        If an error is not known.
    """
    X = np.asarray(X, dtype=float)
    error = np.asarray(error_mm, dtype=float)
    if np.isnan(error).any():
        raise InferenceError("The digitising error is not known: nothing can be drawn from it.")
    noise = rng.standard_normal((count, *X.shape))
    return X + noise * (error / np.sqrt(X.shape[2]))[..., None]


def _single_landmarks(material: Material, doubts: Doubts) -> dict[str, list[int]]:
    """Landmarks that are left out by themselves, each with its partner, by their names."""
    found: dict[str, list[int]] = {}
    for name, point in doubts.landmarks.items():
        if any(point in gone for gone in found.values()):
            continue
        gone, label = [point], name
        if material.partners is not None and material.partners[point] != point:
            gone.append(int(material.partners[point]))
            others = [n for n, p in doubts.landmarks.items() if p in gone and p != point]
            label = " and ".join([name, *others])
        found[label] = gone
    return found


def _variations(
    material: Material, names: NDArray, rules: Rules, doubts: Doubts
) -> Iterator[tuple[str, str, Material | None, Rules]]:
    """Every other choice: its kind, what it is, the material and the rules."""
    known = material.known
    for label, (point, *_) in _single_landmarks(material, doubts).items():
        yield "landmark left out", label, material.without_points(np.array([point])), rules
    gone_groups: list[set[int]] = []
    for name, points in doubts.groups.items():
        label, gone = name, set(points.tolist())
        if material.partners is not None:
            gone |= set(material.partners[points].tolist())
            twins = [n for n, p in doubts.groups.items() if set(p.tolist()) <= gone and n != name]
            label = " and ".join([name, *twins])
        if gone not in gone_groups:
            gone_groups.append(gone)
            yield "semilandmarks left out", label, material.without_points(points), rules
    for place in np.flatnonzero(known).tolist():
        rest = np.delete(np.arange(len(known)), place)
        yield "specimen left out", str(names[place]), material.of(rest), rules
    for i, draw in enumerate(doubts.draws, start=1):
        yield "estimated landmarks", f"draw {i}", material.at(doubts.incomplete, draw), rules
    for place, before in doubts.distorted.items():
        changed = material.at(np.array([place]), before[None])
        yield "distortion", f"{names[place]} as it was dug up", changed, rules
    for setting, without in doubts.without.items():
        yield SUSPECTS, setting, without, rules


def _told(decision: Decision) -> dict[str, Any]:
    return {
        "verdict": decision.verdict,
        "ground": decision.ground,
        "kept": decision.kept,
        "kept_by": "; ".join(decision.kept),
    }


def _rows(choice: str, setting: str, queries: NDArray, found: Judgement | None) -> list[dict]:
    rows = []
    for i, name in enumerate(queries.tolist()):
        row: dict = {
            "specimen": name, "choice": choice, "setting": setting, "verdict": "undecided",
            "ground": "no_model", "kept": (), "kept_by": "", "p_value_as_it_is": np.nan,
            "p_value_size_heeded": np.nan, "suspected": False,
        }  # fmt: skip
        if found is not None and found.verdicts:
            row |= _told(found.verdicts[i])
            for heeded, evidence in found.evidence.items():
                key = "p_value_size_heeded" if heeded else "p_value_as_it_is"
                row[key] = float(evidence.p_value[i].max())
        rows.append(row)
    return rows


def _by_size(queries: NDArray, found: Judgement | None) -> list[dict]:
    """Verdicts of each of the two ways alone."""
    rows = []
    ways = {False: "size not heeded", True: "size heeded"}
    for heeded, setting in ways.items():
        if found is None or heeded not in found.evidence:
            continue
        for row, pair in zip(_rows("size", setting, queries, found), found.decisions, strict=True):
            rows.append(row | _told(pair[heeded]))
    return rows


def _within_sizes(queries: NDArray, base: Judgement | None, found: Judgement | None) -> list[dict]:
    """Verdicts on queries beyond measured sizes, by growth lines that are read off no further."""
    if base is None or True not in base.evidence:
        return []
    rows = _rows("growth not extrapolated", "at the nearest measured sizes", queries, found)
    beyond = base.evidence[True].beyond_sizes
    return [row for i, row in enumerate(rows) if beyond[i].any()]


def _by_draws(queries: NDArray, material: Material, again: Array, rules: Rules) -> list[dict]:
    """Verdicts on queries digitised again: all draws at once, as queries change nothing else."""
    if not len(again):
        return []
    places = np.concatenate(
        [np.flatnonzero(material.known), np.tile(np.flatnonzero(~material.known), len(again))]
    )
    drawn = material.of(places)
    drawn = drawn.at(np.flatnonzero(~drawn.known), again.reshape(-1, *again.shape[2:]))
    try:
        found = analyse(drawn, rules)
    except (InferenceError, ShapeError):
        found = None
    rows = _rows("digitising error", "", np.tile(queries, len(again)), found)
    settings = np.repeat([f"draw {i + 1}" for i in range(len(again))], len(queries))
    return [row | {"setting": str(which)} for row, which in zip(rows, settings, strict=True)]


def _taxon_lost(row: dict, gone: bool) -> dict:
    """A row on a sample without one of its taxa: outside of the others is not outside of all."""
    if gone and row["verdict"] == "outside":
        return row | {"verdict": "undecided", "ground": "taxon_lost"}
    return row


def vary(
    material: Material,
    names: NDArray,
    rules: Rules,
    doubts: Doubts,
    *,
    progress: Callable[[int, int], None] | None = None,
) -> pd.DataFrame:
    """Judge the queries again under every other choice that could have been made.

    One choice is changed at a time. Superimposition, growth lines and axes are made again
    each time; semilandmarks keep the places that they have slid to, and estimates of missing
    landmarks are those of the whole sample or its draws, or as `doubts.without` has them.

    Parameters
    ----------
    material : Material
    names : ndarray of shape (n_specimens,)
    rules : Rules
    doubts : Doubts
    progress : callable, optional
        Called with the number of analyses done and their total.

    Returns
    -------
    DataFrame
        `specimen`, `choice` (one of `CHOICES`), `setting`, `verdict`, `ground`, `kept_by` (taxa
        that keep a query inside, separated by semicolons), the largest p-values over the taxa,
        `turns` (whether the verdict is another, or the query is inside and no taxon keeps it any
        more that kept it before) and `suspected` (whether landmarks are left out of which
        screening suspects one of this query). The first rows, 'as analysed', are the procedure
        unchanged. A sample that has lost a taxon with its suspects leaves undecided who is outside
        of the others; the ground is then `taxon_lost`.
    """
    queries = names[~material.known]
    if not len(queries):
        return pd.DataFrame(columns=_COLUMNS)
    frame = frame_of(material)

    def again(changed: Material | None, other: Rules) -> Judgement | None:
        if changed is None:
            return None
        try:
            if changed is material:
                return analyse(material, other, frame=frame, test_slopes=False)
            return analyse(changed, other)
        except (InferenceError, ShapeError):
            return None

    base = again(material, rules)
    rows = _rows("as analysed", "", queries, base) + _by_size(queries, base)
    rows += _within_sizes(queries, base, again(material, replace(rules, within_sizes=True)))
    todo = list(_variations(material, names, rules, doubts))
    own = list(doubts.own_landmarks.items())
    taxa = set(material.taxon[material.known])
    for done, (choice, setting, changed, other) in enumerate(todo, start=1):
        gone = changed is not None and taxa != set(changed.taxon[changed.known])
        found = _rows(choice, setting, queries, again(changed, other))
        rows += [_taxon_lost(row, gone) for row in found]
        if progress:
            progress(done, len(todo) + len(own))
    rows += _by_draws(queries, material, doubts.again, rules)
    for done, (place, points) in enumerate(own, start=len(todo) + 1):
        found = _rows(
            SUSPECTS, OWN_LANDMARKS, queries, again(material.without_points(points), rules)
        )
        rows += [row | {"suspected": True} for row in found if row["specimen"] == names[place]]
        if progress:
            progress(done, len(todo) + len(own))
    single = _single_landmarks(material, doubts)
    suspects = {names[place]: set(points.tolist()) for place, points in own}
    as_analysed = {row["specimen"]: row for row in rows if row["choice"] == "as analysed"}
    for row in rows:
        if row["choice"] == "landmark left out":
            left_out = single[row["setting"]]
            row["suspected"] = not suspects.get(row["specimen"], set()).isdisjoint(left_out)
        row["turns"] = turned(row, as_analysed[row["specimen"]])
    return pd.DataFrame(rows, columns=_COLUMNS)


def turned(row: Mapping[str, Any], base: Mapping[str, Any]) -> bool:
    """Whether a setting turns a verdict.

    Parameters
    ----------
    row, base : mapping
        `verdict` and the taxa that have `kept` the query, in the setting and as analysed.

    Returns
    -------
    bool
        Whether the verdict is another, or the query is inside and no taxon keeps it any more that
        kept it before.
    """
    if row["verdict"] != base["verdict"]:
        return True
    return base["verdict"] == "inside" and set(base["kept"]).isdisjoint(row["kept"])


def without_suspects(settings: pd.DataFrame) -> pd.DataFrame:
    """Settings without suspected known specimens.

    Parameters
    ----------
    settings : DataFrame
        Rows of the table of `vary` on one query.

    Returns
    -------
    DataFrame
        Those rows.
    """
    return settings[(settings["choice"] == SUSPECTS) & (settings["setting"] != OWN_LANDMARKS)]


def stability_summary(table: pd.DataFrame, choices: Sequence[str] = CHOICES[1:]) -> pd.DataFrame:
    """How often the verdict holds, by kind of choice.

    Parameters
    ----------
    table : DataFrame
        From `vary`.
    choices : sequence of str
        Kinds to tell of.

    Returns
    -------
    DataFrame
        `specimen`, `choice`, `settings` (how many), `holds`, `share_holds`, counts of the
        three verdicts, and `turning_settings`: those that turn the verdict, separated by
        semicolons.
    """
    rows = []
    for specimen, part in table.groupby("specimen", sort=True):
        for choice in choices:
            each = part[part["choice"] == choice]
            if each.empty:
                continue
            turning = each[each["turns"]]
            rows.append(
                {
                    "specimen": specimen,
                    "choice": choice,
                    "settings": len(each),
                    "holds": len(each) - len(turning),
                    "share_holds": 1 - len(turning) / len(each),
                    **{
                        name: int((each["verdict"] == name).sum())
                        for name in ("outside", "inside", "undecided")
                    },
                    "turning_settings": "; ".join(turning["setting"]),
                }
            )
    columns = [
        "specimen", "choice", "settings", "holds", "share_holds", "outside", "inside", "undecided",
        "turning_settings",
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)
