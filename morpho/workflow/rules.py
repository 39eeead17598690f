"""What each rule of the workflow reads, makes and heeds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

from morpho.results.figures import FIGURES
from morpho.results.tables import ALL_ELEMENTS, JOINED, made_by

__all__ = [
    "BY_STEP", "ENDINGS", "RULES", "Rule", "outputs", "path_of",
]  # fmt: skip

# Endings of what is made in each folder of an element, and of a figure.
ENDINGS = {"arrays": "npz", "tables": "csv", "notes": "json"}
DRAWN = ("svg", "pdf", "png")


@dataclass(frozen=True)
class Rule:
    """One rule: a step of morpho/steps, called once for each element, specimen, figure or study."""

    step: str
    per: Literal["element", "specimen", "figure", "study"] = "element"
    # results that it reads, by folder and name, as 'arrays/prepared' or 'tables/specimens'; of its
    # own element, or of each where it is called once for the study
    reads: tuple[str, ...] = ()
    # results that it makes, likewise; with an ending where it is called for the study. Its tables
    # are those that name it as their step, and need not be said again
    makes: tuple[str, ...] = ()
    settings: tuple[str, ...] | None = ()  # that it heeds, and is given; None stands for all
    # files of the user: 'landmarks', 'scans', 'scheme' and 'rows' (of the specimen table and of
    # landmark tables that elements share) of its element; 'bone' for what concerns one specimen;
    # 'everything' for all files of the study
    takes: tuple[str, ...] = ()
    all_of: tuple[str, ...] = ()  # rules of which it reads everything, whatever that was
    # whether it gives the same bytes when nothing that it depends on has changed: the page tells
    # what is new since the last run, the archive which revision of the study this is
    repeats: bool = True

    @property
    def module(self) -> str:
        """Name below the package of the module that holds its step."""
        room = "prepare" if self.step in _PREPARE else "show" if self.step in _SHOW else "judge"
        return f"steps.{room}.{self.step}"


_PREPARE = ("check", "screen", "prepare", "measure", "carry", "slide", "superimpose")
_SHOW = ("differ", "warp", "portray", "draw", "supplement", "report", "archive", "finish")


def _in(folder: str, *names: str) -> tuple[str, ...]:
    return tuple(f"{folder}/{name}" for name in names)


# what tables are read by, and what reading them holds them against
_TABLES = ("landmarks", "specimens", "scans.files", "preparation")
_JUDGED = ("seed", "tests.alpha", "tests.smallest_taxon")
_SHAPES = ("arrays/superimposed", "arrays/shape_space")
_FROM_CONFIGURATIONS = (
    "arrays/configurations",
    *_in("tables", "specimen_error", "landmark_error"),
    "notes/superimpose",
    "notes/grow",
)
_OF_QUERIES = (read for one in FIGURES.values() if one.per == "query" for read in one.reads)
# they tell of the whole study, and of the run itself
_OF_THE_RUN: Any = {"settings": None, "takes": ("everything",), "repeats": False}

_RULES: tuple[Rule, ...] = (
    Rule("check", "study", makes=("check.csv",), settings=None, takes=("everything",)),
    Rule("screen", makes=("notes/screen",), settings=_TABLES, takes=("landmarks", "rows")),
    Rule(
        "prepare",
        makes=("arrays/prepared", "notes/prepare"),
        settings=_TABLES,
        takes=("landmarks", "rows"),
    ),
    Rule(
        "measure",
        reads=_in("tables", "specimens", "landmarks"),
        makes=("notes/measure",),
        settings=("seed", "tests.permutations", *_TABLES),
        takes=("landmarks", "rows"),
    ),
    # once for each scan of a digitised specimen: a new scan costs one
    Rule("carry", "specimen", settings=("landmarks", "scans", "specimens"), takes=("bone",)),
    Rule(
        "slide",
        reads=("arrays/prepared",),
        makes=("arrays/configurations", "notes/slide"),
        settings=("seed", "preparation", "scans"),
        takes=("scheme", "scans"),
        all_of=("carry",),
    ),
    Rule(
        "superimpose",
        reads=("arrays/prepared", "arrays/configurations"),
        makes=("arrays/superimposed", "notes/superimpose"),
        settings=("preparation",),
        takes=("scheme",),
    ),
    Rule(
        "ordinate",
        reads=("arrays/superimposed",),
        makes=("arrays/shape_space", "notes/ordinate"),
        settings=("seed", "shape_space"),
    ),
    Rule(
        "grow",
        reads=_SHAPES,
        makes=("notes/grow",),
        # columns of the specimen table may be terms of the model
        settings=("seed", "model", "tests.permutations", "tests.smallest_taxon", *_TABLES),
        takes=("rows",),
    ),
    Rule(
        "compare",
        reads=(*_SHAPES, "notes/measure"),
        makes=("notes/compare",),
        settings=("seed", "tests.permutations", "tests.smallest_taxon"),
    ),
    Rule(
        "discriminate",
        reads=_SHAPES,
        makes=("notes/discriminate",),
        settings=("seed", "shape_space", "tests.covariance", "tests.folds", "tests.smallest_taxon"),
    ),
    Rule(
        "place",
        reads=(*_SHAPES, *_FROM_CONFIGURATIONS, "tables/specimens", "notes/measure"),
        makes=("notes/place",),
        settings=_JUDGED,
    ),
    Rule("calibrate", reads=_FROM_CONFIGURATIONS, settings=_JUDGED),
    Rule(
        "vary",
        reads=(
            *_FROM_CONFIGURATIONS,
            "arrays/prepared",
            *_in("tables", "suspicions", "estimated_points"),
        ),
        settings=(*_JUDGED, "robustness.error_draws", "preparation.missing.method"),
    ),
    Rule(
        "rarefy",
        reads=("arrays/superimposed", *_FROM_CONFIGURATIONS),
        settings=(
            *_JUDGED,
            "tests.difference",
            "robustness.rarefactions",
            "robustness.simulations",
        ),
    ),
    Rule(
        "conclude",
        reads=_in(
            "tables",
            "suspicions",
            "specimens",
            "verdicts",
            "calibration_summary",
            "stability",
            "stability_summary",
            "specimens_to_decide",
            "noticing",
        ),
        settings=("tests.alpha", "robustness.smallest_share"),
    ),
    Rule(
        "combine",
        "study",
        reads=_in("tables", "membership", "conclusions", "centroid_size"),
        settings=("tests.alpha",),
    ),
    Rule(
        "differ",
        reads=(
            "arrays/configurations",
            "arrays/superimposed",
            "notes/prepare",
            "notes/superimpose",
            "notes/place",
            *_in("tables", "specimens", "verdicts", "estimated_points"),
        ),
        makes=("notes/differ",),
        settings=("differences",),
        takes=("scheme",),
    ),
    Rule(
        "warp",
        reads=(
            "arrays/prepared",
            "arrays/configurations",
            "arrays/superimposed",
            *_in("tables", "verdicts", "estimated_points", "displacements", "axis_shapes"),
        ),
        makes=("arrays/surfaces", "notes/warp"),
        settings=("scans", "tests.alpha"),
        takes=("scheme", "scans"),
    ),
    Rule(
        "portray",
        reads=tuple(dict.fromkeys(("tables/verdicts", *_OF_QUERIES))),
        settings=("figures", "tests.alpha"),
    ),
    Rule("draw", "figure", settings=("figures", "tests.alpha")),
    Rule(
        "supplement",
        "study",
        reads=("every table", "every note"),
        makes=_in(
            "supplement",
            "tables.xlsx",
            "tables.docx",
            "tables.tex",
            "methods.md",
            "methods.txt",
            "references.bib",
        ),
        settings=None,
    ),
    Rule(
        "report",
        "study",
        reads=(
            "check.csv",
            "every table",
            "every note",
            "every figure",
            "arrays/superimposed",
            "arrays/shape_space",
            "arrays/surfaces",
        ),
        makes=("report.html", "README.md"),
        all_of=("portray",),
        **_OF_THE_RUN,
    ),
    Rule("archive", "study", makes=("archive.zip",), all_of=("every rule above",), **_OF_THE_RUN),
    Rule(
        "finish", "study", makes=("provenance.json",), all_of=("every rule above",), **_OF_THE_RUN
    ),
)


def _with_tables(rule: Rule) -> Rule:
    """A rule that makes the tables of its step too."""
    tables = [
        f"{ALL_ELEMENTS}/tables/{name}.csv" if name in JOINED else f"tables/{name}"
        for name in made_by(rule.step)
    ]
    return replace(rule, makes=(*rule.makes, *tables))


# In the order in which they can be called: each reads what those above it made.
RULES: tuple[Rule, ...] = tuple(_with_tables(rule) for rule in _RULES)

BY_STEP: Mapping[str, Rule] = {rule.step: rule for rule in RULES}


def path_of(element: str, result: str) -> str:
    """Path below the results of a result of an element, as 'arrays/prepared'."""
    return f"{element}/{result}.{ENDINGS[result.split('/')[0]]}"


def outputs(rule: Rule, element: str = "{element}", name: str = "") -> tuple[str, ...]:
    """What a rule makes, by path below the results.

    `name` is that of the specimen's scan or of the figure; by default a wildcard stands for the
    element.
    """
    if rule.per == "specimen":
        return (f"{element}/tables/carried/{name}.csv",)
    if rule.per == "figure":
        return tuple(f"{element}/figures/{name}.{ending}" for ending in DRAWN)
    if rule.per == "element":
        return tuple(path_of(element, one) for one in rule.makes)
    return rule.makes
