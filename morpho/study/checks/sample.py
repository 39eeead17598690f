"""Is the sample enough for the questions put to it? Checks across the tables."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from morpho.study.landmarks.digitised import Digitised
from morpho.study.reading.problems import Problems
from morpho.study.reading.wording import nearest, quoted
from morpho.study.scheme.reading import Scheme
from morpho.wording import counted, listed

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["check_elements", "check_model", "check_sample", "check_sides"]

_OWN_TERMS = ("size", "taxon")


def check_model(config: StudyConfig, specimens: pd.DataFrame, problems: Problems) -> None:
    """Check that each term of the model is something that the specimen table has."""
    columns = [name for name in specimens.columns if name != "role"]
    private = set(config.private_columns(columns))
    seen: set[frozenset[str]] = set()
    for place, term in enumerate(config.settings.model.terms):
        parts = [term] if isinstance(term, str) else term
        here = problems.at(file=config.path, line=config.line("model", "terms", place))
        shown = parts[0] if len(parts) == 1 else f"the interaction of {listed(parts)}"
        if len(set(parts)) < len(parts):
            here.error(f"model.terms has {shown}.", "Name each term once in it.")
        elif frozenset(parts) in seen:
            here.error(f"model.terms has {shown} twice.", "Keep one of the two.")
        seen.add(frozenset(parts))
        for part in parts:
            _check_term(part, specimens, columns, private, here)
    if "size" in columns and any("size" in term for term in config.settings.model.terms):
        problems.warning(
            "The specimen table has a column size, but size in model.terms is log centroid size.",
            "Rename the column if you want it in the model.",
            file=config.specimens_file,
            line=1,
        )


def _check_term(
    term: str,
    specimens: pd.DataFrame,
    columns: list[str],
    private: set[str],
    here: Problems,
) -> None:
    if term in _OWN_TERMS:
        return
    if term not in columns:
        known = list(dict.fromkeys([*_OWN_TERMS, *(c for c in columns if c not in private)]))
        near = nearest(term, known)
        hint = f"Did you mean {near}? " if near else ""
        here.error(
            f"model.terms names {quoted(term)}, which is no column of the specimen table.",
            f"{hint}Terms can be {listed(known, last='or')}.",
        )
        return
    if term in private:
        here.error(
            f"model.terms names {quoted(term)}, a private column, which must not reach the "
            "results.",
            "Leave it out, or rename the column if it tells no place.",
        )
        return
    known_ones = specimens[specimens["role"] == "known"]
    blank = list(known_ones.index[known_ones[term] == ""])
    if blank:
        here.warning(
            f"The column {quoted(term)}, a term of the model, is blank for "
            f"{counted(len(blank), 'known specimen')} ({listed(blank, most=5)}).",
            "Fill it in, or leave the term out.",
        )
    if len(known_ones) and known_ones[term].nunique() == 1:
        here.warning(
            f"The column {quoted(term)}, a term of the model, is the same for every known "
            "specimen.",
            "Leave the term out: it can explain nothing.",
        )


def check_sides(of: Digitised) -> None:
    """Check that the side is told wherever left and right must be brought together."""
    config, scheme, problems = of.config, of.scheme, of.problems
    specimens, landmarks = of.specimens, of.landmarks
    if scheme.symmetry != "matching":
        return
    digitised = specimens.loc[specimens.index.isin(landmarks["specimen"])]
    blank = list(digitised.index[digitised["side"] == ""])
    if not blank:
        return
    here = problems.at(file=config.specimens_file, element=scheme.element)
    if len(blank) == len(digitised):
        here.warning(
            f"No specimen digitised in {scheme.element} has a side; all are taken to be of one.",
            "Fill in the column side, left or right, if both occur.",
        )
        return
    for name in blank:
        here.error(
            f"side is blank, but {scheme.element} exists as left and right.",
            "Write left or right in the specimen table, so that it can be mirrored if need be.",
            specimen=str(name),
        )


def check_sample(
    config: StudyConfig,
    specimens: pd.DataFrame,
    landmarks: Mapping[str, pd.DataFrame],
    problems: Problems,
) -> None:
    """Check the sample as a whole: queries, known specimens, taxa, specimens without data.

    Parameters
    ----------
    config : StudyConfig
    specimens : pandas.DataFrame
    landmarks : mapping of pandas.DataFrame
        Rows by element.
    problems : Problems
    """
    here = problems.at(file=config.specimens_file)
    if specimens.empty:
        return  # told already
    roles = specimens["role"]
    if not (roles == "known").any():
        here.error(
            "There is no known specimen.",
            "Give role known to the specimens of known taxa: the query is held against them.",
        )
    if not (roles == "query").any():
        here.warning(
            "There is no query: nothing will be placed.",
            "Give role query to the specimen in question.",
        )
    taxa = sorted(set(specimens.loc[roles == "known", "taxon"]) - {""})
    if len(taxa) == 1:
        here.warning(
            f"There is one known taxon only, {quoted(taxa[0])}.",
            "Add specimens of its relatives: with one taxon there is nothing to compare, and a "
            "verdict can only be about that taxon; inside needs tests: difference as well.",
        )
    digitised = {name for rows in landmarks.values() for name in rows["specimen"]}
    for name in specimens.index.difference(sorted(digitised)):
        here.note(
            "The specimen has no digitisation.",
            "Add its landmark tables when there are any; until then it takes no part.",
            specimen=str(name),
        )


def _landmark_shares(scheme: Scheme, landmarks: pd.DataFrame) -> pd.Series:
    """Share of the landmarks that each specimen has in any digitisation."""
    rows = landmarks[landmarks["landmark"].isin(scheme.landmark_names)]
    present = rows["x"].notna().groupby([rows["specimen"], rows["landmark"]]).any()
    return present.groupby(level="specimen").sum() / len(scheme.landmark_names)


@dataclass(frozen=True)
class _Usable:
    """How many known specimens of each taxon an element has to offer."""

    counts: dict[str, int]
    has_query: bool


def _tell_set_aside(
    config: StudyConfig,
    scheme: Scheme,
    specimens: pd.DataFrame,
    landmarks: pd.DataFrame,
    problems: Problems,
) -> _Usable:
    missing = config.settings.preparation.missing
    least, treated = missing.smallest_share, {"known": missing.known, "query": missing.query}
    counts = {
        taxon: 0 for taxon in sorted(set(specimens.loc[specimens["role"] == "known", "taxon"]))
    }
    has_query = False
    shares = _landmark_shares(scheme, landmarks)
    roles, taxa = specimens["role"].to_dict(), specimens["taxon"].to_dict()
    for name, share in zip(shares.index, shares, strict=True):
        if name not in roles:
            continue
        role = str(roles[name])
        here = problems.at(file=config.specimens_file, element=scheme.element, specimen=str(name))
        whose = {"known": "known specimen", "query": "query"}.get(role, "specimen")
        has_query = has_query or role == "query"
        if share < least:
            here.note(
                f"The {whose} has {share:.0%} of the landmarks of {scheme.element}, "
                f"less than {least:.0%}: it will be set aside.",
                "Digitise what can be seen of it, or lower preparation: missing: smallest_share.",
            )
        elif share < 1 and treated.get(role) == "set_aside":
            here.note(
                f"The {whose} lacks landmarks of {scheme.element} ({share:.0%} are there): it will "
                "be set aside.",
                f"Write estimate under preparation: missing: {role} to keep it.",
            )
        elif role == "known":
            taxon = str(taxa[name])
            counts[taxon] = counts.get(taxon, 0) + 1
    return _Usable({taxon: n for taxon, n in counts.items() if taxon}, has_query)


def check_elements(
    config: StudyConfig,
    schemes: Mapping[str, Scheme],
    specimens: pd.DataFrame,
    landmarks: Mapping[str, pd.DataFrame],
    problems: Problems,
) -> None:
    """Check what each element's sample can and cannot decide.

    Parameters
    ----------
    config : StudyConfig
    schemes : mapping of Scheme by element
    specimens : pandas.DataFrame
    landmarks : mapping of pandas.DataFrame
        Rows by element.
    problems : Problems
    """
    for element, rows in landmarks.items():
        if rows.empty:
            continue  # told already
        usable = _tell_set_aside(config, schemes[element], specimens, rows, problems)
        _check_counts(config, element, usable, problems)


def _check_counts(config: StudyConfig, element: str, usable: _Usable, problems: Problems) -> None:
    here = problems.at(file=config.specimens_file, element=element)
    counts = usable.counts
    if counts and not any(counts.values()):
        here.error(
            f"No known specimen can be used for {element}.",
            "Digitise known specimens in full, or relax preparation: missing.",
        )
        return
    present = [taxon for taxon, n in counts.items() if n]
    if len(counts) > 1 and len(present) == 1:
        here.warning(
            f"Only one known taxon, {quoted(present[0])}, has specimens that can be used for "
            f"{element}.",
            "Digitise specimens of its relatives: with one taxon there is nothing to compare.",
        )
    if not usable.has_query:
        here.note(
            f"No query is digitised in {element}.",
            "Add its landmark table if the bone is preserved; the known taxa are compared anyway.",
        )
    tests = config.settings.tests
    smallest, alpha = tests.smallest_taxon, tests.alpha
    for taxon in present:
        n = counts[taxon]
        if n < smallest:
            _tell_small(taxon, n, smallest, element, here)
    whole = sum(n for n in counts.values() if n > 1)
    if 1 < whole < _enough(alpha):
        here.note(
            f"{counted(whole, 'known specimen')} of {element} can be left out in turn, fewer than "
            f"the {_enough(alpha)} by which ranks reach alpha {alpha:g}.",
            "Queries are held against a normal distribution of their distances instead; with more "
            "specimens, of whichever taxon, no distribution is needed.",
        )


def _enough(alpha: float) -> int:
    """Smallest n with 1/(n+1) <= alpha."""
    n = max(1, int(1 / alpha) - 2)
    while n + 1 < 1 / alpha:
        n += 1
    return n


def _tell_small(
    taxon: str,
    n: int,
    smallest: int,
    element: str,
    here: Problems,
) -> None:
    lost = ["the tests between taxa", "the discriminant analysis"]
    alone = (
        " Nobody can say how much it varies, so nothing is told outside of it." if n == 1 else ""
    )
    here.warning(
        f"The taxon {quoted(taxon)} has {counted(n, 'specimen')} that can be used for "
        f"{element}, fewer than {smallest} (tests: smallest_taxon): it takes no part in "
        f"{listed(lost)}, and no verdict of inside rests on it.{alone}",
        "Add specimens if there are any.",
    )
