"""What each rule of the workflow reads, makes and heeds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

from morpho.results.tables import ALL_ELEMENTS, JOINED, made_by

__all__ = [
    "BY_STEP", "ENDINGS", "RULES", "Rule", "outputs", "path_of",
]  # fmt: skip

# Endings of what is made in each folder of an element, and of a figure.
ENDINGS = {"arrays": "npz", "tables": "csv", "notes": "json"}
DRAWN = ("svg", "pdf", "png")


@dataclass(frozen=True)
class Rule:
    """One rule: a step of morpho/steps, called once for each element, specimen, figure or study.

    Attributes
    ----------
    step : str
        Name of the rule and of the step that it calls.
    per : {'element', 'specimen', 'figure', 'study'}
        What it is called once for.
    reads : tuple of str
        Results that it reads, by folder and name, as 'arrays/prepared' or 'tables/specimens';
        of its own element, or of each where it is called once for the study.
    makes : tuple of str
        Results that it makes, likewise; with an ending where it is called for the study. Its
        tables are those that name it as their step, and need not be said again.
    settings : tuple of str, or None
        Parts of study.yaml that it heeds, and is given; None stands for all.
    takes : tuple of str
        Files of the user that it reads: 'landmarks', 'scans', 'scheme' and 'rows' (of the
        specimen table and of landmark tables that elements share) of its element; 'bone' for what
        concerns one specimen; 'everything' for all files of the study.
    all_of : tuple of str
        Rules of which it reads everything that they made, whatever that was.
    repeats : bool
        Whether it gives the same bytes when nothing that it depends on has changed. The page
        tells what is new since the last run, the archive which revision of the study this is.
    """

    step: str
    per: Literal["element", "specimen", "figure", "study"] = "element"
    reads: tuple[str, ...] = ()
    makes: tuple[str, ...] = ()
    settings: tuple[str, ...] | None = ()
    takes: tuple[str, ...] = ()
    all_of: tuple[str, ...] = ()
    repeats: bool = True

    @property
    def module(self) -> str:
        """Name below the package of the module that holds its step."""
        return f"steps.{self.room}.{self.step}"

    @property
    def room(self) -> str:
        """Folder of the step, and file of config/rules."""
        if self.step in _PREPARE:
            return "prepare"
        return "show" if self.step in _SHOW else "judge"


_PREPARE = ("check", "screen", "prepare", "measure", "carry", "slide", "superimpose")
_SHOW = (
    "differ", "warp", "portray", "draw", "supplement", "report", "archive", "finish",
)  # fmt: skip


def _named(folder: str, *names: str) -> tuple[str, ...]:
    return tuple(f"{folder}/{name}" for name in names)


def _tables(*names: str) -> tuple[str, ...]:
    return _named("tables", *names)


# what tables are read by, and what reading them holds them against
_TABLES = ("landmarks", "specimens", "scans.files", "preparation")
_JUDGED = ("seed", "tests.alpha", "tests.smallest_taxon")
_SHAPES = ("arrays/superimposed", "arrays/shape_space")
_FROM_CONFIGURATIONS = (
    "arrays/configurations",
    *_tables("specimen_error", "landmark_error"),
    "notes/superimpose",
    "notes/grow",
)
_JUDGED_SHAPES = (*_SHAPES, *_FROM_CONFIGURATIONS)

_RULES: tuple[Rule, ...] = (
    Rule(
        "check",
        "study",
        makes=("check.csv",),
        settings=None,
        takes=("everything",),
    ),
    Rule(
        "screen",
        makes=("notes/screen",),
        settings=_TABLES,
        takes=("landmarks", "rows"),
    ),
    Rule(
        "prepare",
        makes=("arrays/prepared", "notes/prepare"),
        settings=_TABLES,
        takes=("landmarks", "rows"),
    ),
    Rule(
        "measure",
        reads=_tables("specimens", "landmarks"),
        makes=("notes/measure",),
        settings=("seed", "tests.permutations", *_TABLES),
        takes=("landmarks", "rows"),
    ),
    # once for each scan of a digitised specimen: a new scan costs one
    Rule(
        "carry",
        "specimen",
        settings=("landmarks", "scans", "specimens"),
        takes=("bone",),
    ),
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
        settings=(
            "seed",
            "shape_space",
            "tests.covariance",
            "tests.folds",
            "tests.smallest_taxon",
        ),
    ),
    Rule(
        "place",
        reads=(*_JUDGED_SHAPES, *_tables("specimens"), "notes/measure"),
        makes=("notes/place",),
        settings=_JUDGED,
    ),
    Rule(
        "calibrate",
        reads=_FROM_CONFIGURATIONS,
        settings=_JUDGED,
    ),
    Rule(
        "vary",
        reads=(
            *_FROM_CONFIGURATIONS,
            "arrays/prepared",
            *_tables("suspicions", "estimated_points"),
        ),
        settings=(*_JUDGED, "robustness.error_draws", "preparation.missing.method"),
    ),
    Rule(
        "rarefy",
        reads=_JUDGED_SHAPES,
        settings=(
            *_JUDGED,
            "tests.difference",
            "robustness.rarefactions",
            "robustness.simulations",
        ),
    ),
    Rule(
        "conclude",
        reads=_tables(
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
        reads=_tables("membership", "conclusions", "centroid_size"),
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
            *_tables("specimens", "verdicts", "estimated_points"),
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
            *_tables("verdicts", "estimated_points", "displacements", "axis_shapes"),
        ),
        makes=("arrays/surfaces", "notes/warp"),
        settings=("scans", "tests.alpha"),
        takes=("scheme", "scans"),
    ),
    Rule(
        "portray",
        reads=(
            "arrays/surfaces",
            "notes/slide",
            "notes/superimpose",
            *_tables(
                "verdicts",
                "displacements",
                "region_displacements",
                "measurements",
                "measurements_at_size",
                "measurement_ranking",
                "measurement_ranges",
            ),
        ),
        settings=("figures", "tests.alpha"),
    ),
    Rule(
        "draw",
        "figure",
        settings=("figures", "tests.alpha"),
    ),
    Rule(
        "supplement",
        "study",
        reads=("every table", "every note"),
        makes=tuple(
            f"supplement/{name}"
            for name in (
                "tables.xlsx",
                "tables.docx",
                "tables.tex",
                "methods.md",
                "methods.txt",
                "references.bib",
            )
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
        settings=None,
        takes=("everything",),
        all_of=("portray",),
        repeats=False,
    ),
    Rule(
        "archive",
        "study",
        makes=("archive.zip",),
        settings=None,
        takes=("everything",),
        all_of=("every rule above",),
        repeats=False,
    ),
    Rule(
        "finish",
        "study",
        makes=("provenance.json",),
        settings=None,
        takes=("everything",),
        all_of=("every rule above",),
        repeats=False,
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
    """Path of a result of an element, below the results.

    Parameters
    ----------
    element : str
    result : str
        By folder and name, as 'arrays/prepared'.
    """
    return f"{element}/{result}.{ENDINGS[result.split('/')[0]]}"


def outputs(rule: Rule, element: str = "{element}", name: str = "") -> tuple[str, ...]:
    """What a rule makes, by path below the results.

    Parameters
    ----------
    rule : Rule
    element, name : str, optional
        The element, and the specimen's scan or the figure; by default as wildcards.
    """
    if rule.per == "specimen":
        return (f"{element}/tables/carried/{name or '{name}'}.csv",)
    if rule.per == "figure":
        return tuple(f"{element}/figures/{name or '{figure}'}.{ending}" for ending in DRAWN)
    if rule.per == "element":
        return tuple(path_of(element, one) for one in rule.makes)
    return rule.makes
