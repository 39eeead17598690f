"""Sources of the methods, and which of them a study has really used; as BibTeX."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

import pandas as pd

from morpho.report.bibliography import REFERENCES, Reference

__all__ = [
    "METHODS", "Analysed", "Joined", "Method", "bibtex", "methods_used", "references_for",
    "sources_of", "still_open",
]  # fmt: skip

Settings = Mapping[str, Any]


class Analysed(Protocol):
    """What is read of an element: its name, its tables, and the notes of its steps."""

    @property
    def name(self) -> str:
        """Name of the element."""

    @property
    def tables(self) -> Mapping[str, pd.DataFrame]:
        """Its tables."""

    @property
    def notes(self) -> Mapping[str, Mapping[str, Any]]:
        """Notes by step."""


@dataclass(frozen=True)
class Joined:
    """Tables of all elements together, in the form of an element.

    Attributes
    ----------
    tables : mapping of str to DataFrame
    name : str
    notes : mapping of str to mapping
        There are none.
    """

    tables: Mapping[str, pd.DataFrame]
    name: str = "all elements"
    notes: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)


@dataclass(frozen=True)
class Method:
    """A method, its sources, and how to tell that an element was analysed by it.

    Attributes
    ----------
    name : str
    references : tuple of str
        Keys of `REFERENCES`.
    used : callable
        Takes settings and an element, gives a bool.
    together : bool
        Whether it joins elements: then `used` takes the `Joined` tables in place of an element.
    """

    name: str
    references: tuple[str, ...]
    used: Callable[[Settings, Analysed], bool]
    together: bool = False


def _always(settings: Settings, element: Analysed) -> bool:
    return True


def _rows(*tables: str) -> Callable[[Settings, Analysed], bool]:
    """Whether tables are there and have rows."""
    return lambda settings, element: all(len(element.tables.get(t, ())) > 0 for t in tables)


def _noted(step: str, key: str) -> Callable[[Settings, Analysed], bool]:
    return lambda settings, element: bool(element.notes.get(step, {}).get(key))


def _axes(rule: str) -> Callable[[Settings, Analysed], bool]:
    return lambda settings, element: element.notes["ordinate"]["rule"] == rule


def _slid(settings: Settings, element: Analysed) -> bool:
    return bool(element.notes["slide"]["curves"] or element.notes["slide"]["patches"])


def _slid_by(criterion: str) -> Callable[[Settings, Analysed], bool]:
    return lambda settings, element: (
        _slid(settings, element)
        and settings["preparation"]["semilandmarks"]["criterion"] == criterion
    )


def _averaged(settings: Settings, element: Analysed) -> bool:
    table = element.tables["specimens"]
    return bool((table["used"] & (table["digitisations"] > 1)).any())


def _regressed(settings: Settings, element: Analysed) -> bool:
    table = element.tables["estimated_points"]
    others = bool((table["estimated_by"] == "other specimens").any())
    return others and element.notes["slide"]["method"] == "regression"


def _judged(settings: Settings, element: Analysed) -> bool:
    return len(element.tables["membership"]) > 0


def _shrunken(settings: Settings, element: Analysed) -> bool:
    return len(element.tables["accuracy"]) > 0 and settings["tests"]["covariance"] == "shrunken"


def _permuted(settings: Settings, element: Analysed) -> bool:
    tables = (element.tables.get(name) for name in ("model_terms", "slopes", "pairwise_distances"))
    return any(table is not None and table["p_value"].notna().any() for table in tables)


def _some(
    table: str, column: str, where: Callable[[pd.Series], pd.Series]
) -> Callable[[Settings, Analysed], bool]:
    """Whether a table is there and some of its rows are so."""

    def used(settings: Settings, element: Analysed) -> bool:
        given = element.tables.get(table)
        return given is not None and len(given) > 0 and bool(where(given[column]).any())

    return used


def _filled(names: pd.Series) -> pd.Series:
    return names.fillna("") != ""


def _tested_many(settings: Settings, element: Analysed) -> bool:
    return any(len(element.tables.get(t, ())) > 0 for t in ("displacements", "measurement_ranking"))


def _pairs_of_elements(settings: Settings, joined: Analysed) -> bool:
    table = joined.tables.get("proportions")
    return table is not None and len(table[["first", "second"]].drop_duplicates()) > 1


# In the order in which the methods are told. A new method joins by an entry here and its
# sources in references.bib.
METHODS: tuple[Method, ...] = (
    Method("averaging", ("kabsch1976",), _averaged),
    Method("estimation", ("gunz2009",), _rows("estimated_points")),
    Method("regression", ("hoerl1970", "golub1979"), _regressed),
    Method("sliding", ("bookstein1997", "gunz2005", "gunz2013"), _slid),
    Method("bending energy", ("bookstein1989",), _slid_by("bending_energy")),
    Method("symmetry", ("mardia2000", "klingenberg2002"), _noted("superimpose", "symmetric")),
    Method("distortion", ("ghosh2010",), _rows("distortion")),
    Method("superimposition", ("gower1975", "rohlf1990", "goodall1991"), _always),
    Method("tangent space", ("dryden2016",), _always),
    Method("screening", ("rohlf1990", "beaton1974", "kuhn1955"), _noted("screen", "screened")),
    Method("digitising error", ("bailey1990", "fruciano2016"), _rows("digitising_error")),
    Method("asymmetry", ("klingenberg1998", "klingenberg2002"), _rows("asymmetry")),
    Method("parallel analysis", ("horn1965", "buja1992"), _axes("parallel")),
    Method("broken stick", ("frontier1976",), _axes("broken_stick")),
    Method("linear model", ("goodall1991", "freedman1983", "anderson2001", "collyer2015"),
           _rows("model_terms")),
    Method("permutation", ("phipson2010",), _permuted),
    Method("growth line", ("klingenberg2016",), _noted("grow", "slope_length")),
    Method("regression score", ("drake2008",), _noted("grow", "slope_length")),
    Method("criteria", ("mardia1979", "morrison1976"), _rows("group_criteria")),
    Method("pairs", ("holm1979", "chung2013"), _rows("pairwise_distances")),
    Method("discriminant", ("mardia1979",), _rows("accuracy")),
    Method("shrinkage", ("ledoit2004",), _shrunken),
    Method("typicality", ("mclachlan1992", "anderson2003"), _judged),
    Method("ranks", ("vovk2005",), _judged),
    Method("own spread", ("box1954", "srivastava2005"), _judged),
    Method("intersection-union", ("berger1982",), _judged),
    Method("calibration", ("clopper1934",), _rows("calibration_summary")),
    Method("rarefaction", ("cochran1977",), _some("rarefaction", "mean_error", pd.Series.notna)),
    Method("displacement", ("anderson2003",), _rows("displacements")),
    Method("resistant fit", ("rohlf1990", "beaton1974"), _rows("displacements", "fits")),
    Method("regions", ("vovk2005",), _rows("displacements", "region_displacements")),
    Method("false discovery", ("benjamini1995", "benjamini2001"), _tested_many),
    Method("measurements", ("hedges1981",), _rows("measurement_ranking")),
    Method("new member", ("sokal1995", "weisberg2005"), _rows("measurement_ranking")),
    Method("every taxon", ("berger1982",), _rows("measurement_ranking")),
    Method("beyond allometry", ("klingenberg2016",),
           _some("measurement_ranking", "size_heeded", lambda flags: flags.astype(bool))),
    Method("surfaces", ("bookstein1989", "gunz2009"), _some("meshes", "template", _filled)),
    Method("heat", ("bookstein1989",), _some("meshes", "template", lambda names: ~_filled(names))),
    Method("closing", ("barequet1995",), _some("meshes", "holes_closed", lambda n: n > 0)),
    Method("combined elements", ("vovk2020",),
           _some("individuals", "elements", lambda n: n > 1), together=True),
    Method("relative sizes", ("mosimann1970", "sokal1995", "hedges1981"), _rows("proportions"),
           together=True),
    Method("pairs of elements", ("benjamini1995",), _pairs_of_elements, together=True),
)  # fmt: skip

_BY_NAME = {method.name: method for method in METHODS}


def methods_used(
    settings: Settings,
    elements: Iterable[Analysed],
    joined: Mapping[str, pd.DataFrame] | None = None,
) -> list[str]:
    """Name the methods that at least one element was analysed by.

    Parameters
    ----------
    settings : mapping
        The settings of study.yaml.
    elements : iterable of Analysed
        `tables` and `notes` of each.
    joined : mapping of str to DataFrame, optional
        Tables of all elements together.

    Returns
    -------
    list of str
        In the order of `METHODS`.
    """
    given: dict[bool, list[Analysed]] = {False: list(elements), True: [Joined(joined or {})]}
    return [
        m.name for m in METHODS if any(m.used(settings, element) for element in given[m.together])
    ]


def sources_of(method: str) -> list[Reference]:
    """Sources of one method.

    Parameters
    ----------
    method : str
        A name in `METHODS`.

    Returns
    -------
    list of Reference

    Raises
    ------
    KeyError
        If there is no such method.
    """
    return [REFERENCES[key] for key in _BY_NAME[method].references]


def references_for(
    settings: Settings,
    elements: Iterable[Analysed],
    joined: Mapping[str, pd.DataFrame] | None = None,
) -> list[Reference]:
    """Sources of the methods that a study has used, and of no others.

    Parameters
    ----------
    settings : mapping
        The settings of study.yaml.
    elements : iterable of Analysed
        `tables` and `notes` of each.
    joined : mapping of str to DataFrame, optional
        Tables of all elements together.

    Returns
    -------
    list of Reference
        Sorted by key, each once.
    """
    used = methods_used(settings, elements, joined)
    keys = {key for name in used for key in _BY_NAME[name].references}
    return [REFERENCES[key] for key in sorted(keys)]


def bibtex(sources: Iterable[Reference]) -> str:
    """Write sources as BibTeX.

    Parameters
    ----------
    sources : iterable of Reference

    Returns
    -------
    str
        An entry for each, as it stands in references.bib: a field `state` says whether it was
        looked up, and a `note` what of it needs a library, which the styles print.
    """
    return "\n\n".join(source.entry for source in sources) + "\n"


def still_open(sources: Iterable[Reference]) -> str:
    """Say which sources are to be looked up before print.

    Parameters
    ----------
    sources : iterable of Reference

    Returns
    -------
    str
        Plain sentences; blank where all were looked up.
    """
    given = list(sources)
    lacking = [f"{s.label} ({s.lacking})" for s in given if s.lacking]
    unseen = [s.label for s in given if s.state == "not looked up"]
    text = ""
    if lacking:
        text += f"Of the sources, part is from memory and needs a library: {'; '.join(lacking)}. "
    if unseen:
        its = "its title" if len(unseen) == 1 else "their titles"
        text += f"Not looked up, but cited with {its} by the program: {'; '.join(unseen)}. "
    return text + ("The fields state and note of references.bib say the same." if text else "")
