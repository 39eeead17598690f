"""Is the sample enough for the questions put to it? Checks across the tables."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Mapping

import pandas as pd

from morpho.study.landmarks.digitised import Digitised, Study
from morpho.study.reading.problems import Problems
from morpho.study.reading.wording import meant, nearest, quoted
from morpho.wording import counted, listed

__all__ = ["check_element", "check_model", "check_sample", "check_sides"]

_OWN_TERMS = ("size", "taxon")


def check_model(study: Study, problems: Problems) -> None:
    """Check that each term of the model is something that the specimen table has."""
    config, table = study.config, study.specimens
    columns = [name for name in table.columns if name != "role"]
    cells = list(table[columns].itertuples(index=False, name=None))
    private = config.kept_back("specimens", columns, cells)
    seen: set[frozenset[str]] = set()
    for place, term in enumerate(config.settings.model.terms):
        parts = [term] if isinstance(term, str) else term
        here = problems.at(**config.at("model", "terms", place))
        shown = parts[0] if len(parts) == 1 else f"the interaction of {listed(parts)}"
        if len(set(parts)) < len(parts):
            here.error(f"model.terms has {shown}.", "Name each term once in it.")
        elif frozenset(parts) in seen:
            here.error(f"model.terms has {shown} twice.", "Keep one of the two.")
        seen.add(frozenset(parts))
        for part in parts:
            if part not in _OWN_TERMS:
                _check_term(part, table.loc[table["role"] == "known", columns], private, here)
    if "size" in columns and any("size" in term for term in config.settings.model.terms):
        problems.warning(
            "The specimen table has a column size, but size in model.terms is log centroid size.",
            "Rename the column if you want it in the model.",
            file=config.specimens_file,
            line=1,
        )


def _check_term(term: str, known: pd.DataFrame, private: Collection[str], here: Problems) -> None:
    if term not in known:
        free = dict.fromkeys([*_OWN_TERMS, *(str(name) for name in known if name not in private)])
        hint = meant(nearest(term, free))
        here.error(
            f"model.terms names {quoted(term)}, which is no column of the specimen table.",
            f"{hint} Terms can be {listed(free, last='or')}.".lstrip(),
        )
        return
    if term in private:
        here.error(
            f"model.terms names {quoted(term)}, a private column, which must not reach the "
            "results.",
            "Leave it out; or list the column under specimens: public if it tells no place.",
        )
        return
    blank = list(known.index[known[term] == ""])
    if blank:
        here.warning(
            f"The column {quoted(term)}, a term of the model, is blank for "
            f"{counted(len(blank), 'known specimen')} ({listed(blank, most=5)}).",
            "Fill it in, or leave the term out.",
        )
    if len(known) and known[term].nunique() == 1:
        here.warning(
            f"The column {quoted(term)}, a term of the model, is the same for every known "
            "specimen.",
            "Leave the term out: it can explain nothing.",
        )


def check_sides(of: Digitised) -> None:
    """Check that the side is told wherever left and right must be brought together."""
    element = of.scheme.element
    digitised = of.specimens.loc[of.specimens.index.isin(of.landmarks["specimen"])]
    blank = digitised.index[digitised["side"] == ""]
    if of.scheme.symmetry != "matching" or blank.empty:
        return
    here = of.problems.at(file=of.config.specimens_file)
    if len(blank) == len(digitised):
        here.warning(
            f"No specimen digitised in {element} has a side; all are taken to be of one.",
            "Fill in the column side, left or right, if both occur.",
        )
        return
    for name in blank:
        here.error(
            f"side is blank, but {element} exists as left and right.",
            "Write left or right in the specimen table, so that it can be mirrored if need be.",
            specimen=str(name),
        )


def check_sample(study: Study, tables: Mapping[str, pd.DataFrame], problems: Problems) -> None:
    """Check the sample as a whole: queries, known specimens, taxa, specimens without data."""
    specimens, roles = study.specimens, study.specimens["role"]
    if specimens.empty:
        return  # told already
    here = problems.at(file=study.config.specimens_file)
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
    digitised = {name for rows in tables.values() for name in rows["specimen"]}
    for name in specimens.index.difference(sorted(digitised)):
        here.note(
            "The specimen has no digitisation.",
            "Add its landmark tables when there are any; until then it takes no part.",
            specimen=str(name),
        )


def _usable(of: Digitised) -> tuple[Counter[str], set[str]]:
    """Count the usable known specimens of each taxon; tell the others. Give all roles as well."""
    missing = of.config.settings.preparation.missing
    least, treated = missing.smallest_share, {"known": missing.known, "query": missing.query}
    names, element = of.scheme.landmark_names, of.scheme.element
    rows = of.landmarks[of.landmarks["landmark"].isin(names)]
    present = rows["x"].notna().groupby([rows["specimen"], rows["landmark"]]).any()
    shares = present.groupby(level="specimen").sum() / len(names)
    digitised = of.specimens.loc[of.specimens.index.isin(shares.index)]
    counts: Counter[str] = Counter()
    for name, role, taxon in digitised[["role", "taxon"]].itertuples():
        share = shares[name]
        here = of.problems.at(file=of.config.specimens_file, specimen=str(name))
        whose = {"known": "known specimen", "query": "query"}.get(role, "specimen")
        if share < least:
            here.note(
                f"The {whose} has {share:.0%} of the landmarks of {element}, "
                f"less than {least:.0%}: it will be set aside.",
                "Digitise what can be seen of it, or lower preparation: missing: smallest_share.",
            )
        elif share < 1 and treated.get(role) == "set_aside":
            here.note(
                f"The {whose} lacks landmarks of {element} ({share:.0%} are there): it will "
                "be set aside.",
                f"Write estimate under preparation: missing: {role} to keep it.",
            )
        elif role == "known":
            counts[taxon] += 1
    return counts, set(digitised["role"])


def check_element(of: Digitised) -> None:
    """Check what an element's sample can and cannot decide."""
    if of.landmarks.empty:
        return  # told already
    element, here = of.scheme.element, of.problems.at(file=of.config.specimens_file)
    usable, roles = _usable(of)
    taxa = sorted(set(of.specimens.loc[of.specimens["role"] == "known", "taxon"]) - {""})
    counts = {taxon: usable[taxon] for taxon in taxa if usable[taxon]}
    if taxa and not counts:
        here.error(
            f"No known specimen can be used for {element}.",
            "Digitise known specimens in full, or relax preparation: missing.",
        )
        return
    if len(taxa) > 1 and len(counts) == 1:
        here.warning(
            f"Only one known taxon, {listed(map(quoted, counts))}, has specimens that can be used "
            f"for {element}.",
            "Digitise specimens of its relatives: with one taxon there is nothing to compare.",
        )
    if "query" not in roles:
        here.note(
            f"No query is digitised in {element}.",
            "Add its landmark table if the bone is preserved; the known taxa are compared anyway.",
        )
    smallest, alpha = of.config.settings.tests.smallest_taxon, of.config.settings.tests.alpha
    enough = math.ceil(1 / alpha) - 1  # the smallest n with 1/(n+1) <= alpha
    for taxon, n in counts.items():
        if n < smallest:
            alone = " Nobody can say how much it varies, so nothing is told outside of it."
            here.warning(
                f"The taxon {quoted(taxon)} has {counted(n, 'specimen')} that can be used for "
                f"{element}, fewer than {smallest} (tests: smallest_taxon): it takes no part in "
                "the tests between taxa and the discriminant analysis, and no verdict of inside "
                f"rests on it.{alone if n == 1 else ''}",
                "Add specimens if there are any.",
            )
    whole = sum(n for n in counts.values() if n > 1)
    if 1 < whole < enough:
        here.note(
            f"{counted(whole, 'known specimen')} of {element} can be left out in turn, fewer than "
            f"the {enough} by which ranks reach alpha {alpha:g}.",
            "Queries are held against a normal distribution of their distances instead; with more "
            "specimens, of whichever taxon, no distribution is needed.",
        )
