"""Every key of study.yaml: its kind, default, bounds and meaning, each said once.

The schema that study.yaml is held against, the file that ``formkin new`` writes and the table of
keys in config/README.md are made from these blocks (`schema.py`). The docstring of a block is its
meaning there.

Light on purpose (standard library): the workflow imports it each time it is started.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from functools import cache, partial
from typing import Annotated, Any, Literal, Self, get_args, get_origin, get_type_hints

__all__ = ["Block", "Settings", "block_in", "key"]

# What JSON Schema asks of a kind beyond its type.
Filled = Annotated[str, "minLength", 1]
Delimiter = Literal["auto", ",", ";", "\t"]
Units = Literal["um", "mm", "cm", "m", "inch"]
Treatment = Literal["estimate", "set_aside", "shared"]

_KEYWORDS = {
    "least": "minimum", "above": "exclusiveMinimum", "most": "maximum", "note": "$comment",
}  # fmt: skip


def key(default: Any, says: str = "", *, needed: bool = False, **more: Any) -> Any:
    """Describe a key of study.yaml.

    A block or a mapping is given by its class as the default, and None stands for a part that may
    be left out. The default of a key that is needed stands for it in a faulty file alone. `more`
    are bounds of a number (`least`, `most`, `above`), the `keys` that a mapping may have with their
    meanings, a `note` for those who fill it in, and whatever else a JSON Schema may say.
    """
    make = partial(list, default) if isinstance(default, list) else default
    makes: dict[str, Any] = {"default_factory" if callable(make) else "default": make}
    asked = {_KEYWORDS.get(name, name): value for name, value in more.items()}
    return field(**makes, metadata={"says": says, "needed": needed, **asked})


def block_in(kind: Any) -> type[Block] | None:
    """Find the block that a key holds, be it one that may be left out."""
    if get_origin(kind) in (dict, list):
        return None
    return next((one for one in (kind, *get_args(kind)) if _is_block(one)), None)


def _is_block(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, Block)


_kinds: Callable[[Any], dict[str, Any]] = cache(get_type_hints)


def _typed(kind: Any, value: Any) -> Any:
    if block := block_in(kind):
        return block.of(value)
    if get_origin(kind) is dict:
        return {name: _typed(get_args(kind)[1], one) for name, one in value.items()}
    return value


def _given(keys: list[tuple[str, Any]]) -> dict[str, Any]:
    return {name: value for name, value in keys if value is not None}


@dataclass(frozen=True)
class Block:
    """A block of study.yaml."""

    @classmethod
    def of(cls, data: Mapping[str, Any]) -> Self:
        """Make the block from values that agree with the schema, the rest being as by default."""
        return cls(**{name: _typed(_kinds(cls)[name], value) for name, value in data.items()})

    def plain(self) -> dict[str, Any]:
        """Give the block as study.yaml would say it with every default written out."""
        return asdict(self, dict_factory=_given)


# A key is one line.
# fmt: off


@dataclass(frozen=True)
class Specimens(Block):
    """The specimen table: one row a specimen."""

    file: Filled = key(str, "Path of the table; a delimited text file (CSV).", needed=True, examples=["specimens.csv"])
    delimiter: Delimiter = key("auto", "Character between cells; auto finds it in the header.")
    columns: dict[str, str] = key(
        dict,
        "Names that your table uses for our columns: key ours, value yours.",
        keys={
            "specimen": "Name of the specimen; must be unique.",
            "taxon": "Taxon of a known specimen; may be blank for a query.",
            "role": "known (its taxon is sure) or query (it is to be placed).",
            "side": "left, right (or l, r), or blank.",
            "stage": "Growth stage, free text.",
        },
    )
    private: list[str] = key([], "Columns that reach neither results nor archive, besides those whose name or values speak of a place or coordinates, and those that may tell an elevation, a horizon or free remarks.")
    public: list[str] = key([], "Columns, of this table or of the landmark tables, that may be published although they would be kept back by their name or values.")
    public_words: list[Filled] = key([], "Texts of columns that are kept back that may stand elsewhere in the archive, as they tell no place there; any other stops the archive.")


@dataclass(frozen=True)
class Landmarks(Block):
    """The landmark tables: one row a landmark of one digitisation."""

    files: Filled | Annotated[list[Filled], "minItems", 1] = key(list, "Path or list of paths; * stands for anything within a name, and {element}, {specimen} and {replicate} for columns that come from the path.", needed=True, examples=["landmarks/*.csv"], note="With several bones, landmarks/{element}/*.csv lets a new table set only its own bone to work again.")
    delimiter: Delimiter = key("auto", "Character between cells; auto finds it in the header.")
    decimal: Literal[".", ","] = key(".", "Decimal mark of the coordinates.")
    units: Units = key("mm", "Unit of the coordinates: everything is turned to mm.")
    columns: dict[str, str] = key(
        dict,
        "Names that your tables use for our columns: key ours, value yours.",
        keys={
            "specimen": "Name of the specimen, as in the specimen table.",
            "element": "Element; may come from the path.",
            "replicate": "Label of the digitisation; blank where there is only one.",
            "observer": "Who digitised; optional.",
            "landmark": "Name in the scheme; points of curves and patches are numbered, as in border.1, border.2.",
            "x": "First coordinate.",
            "y": "Second coordinate.",
            "z": "Third coordinate.",
        },
    )


@dataclass(frozen=True)
class Scans(Block):
    """The scans: optional."""

    files: Filled = key(str, "Path with {element} and {specimen} in it; PLY, STL, OBJ or GLB.", needed=True, examples=["scans/{element}/{specimen}.ply"])
    units: Units = key("mm", "Unit of the coordinates: everything is turned to mm.")
    units_of: dict[str, dict[str, Units]] = key(dict, "Scans in another unit than the rest: by element, then by specimen, as in lower_jaw: {A-1: cm}.")


@dataclass(frozen=True)
class Element(Block):
    """An element."""

    scheme: Filled = key(str, "Path of the element's scheme.", needed=True)


@dataclass(frozen=True)
class Missing(Block):
    """What is done about missing landmarks."""

    smallest_share: float = key(0.75, "A specimen with a smaller share of its scheme's landmarks is set aside: too little is left of it.", above=0, most=1)
    known: Treatment = key("estimate", "A known specimen with a missing landmark: estimate the landmark, set the specimen aside, or use only the landmarks that all share.")
    query: Treatment = key("estimate", "The same for a query.")
    method: Literal["regression", "spline"] = key("regression", "How a landmark is estimated whose mirror image is missing too: regression on the landmarks that are there, or a thin-plate spline from the nearest complete specimens.")
    imputations: int = key(20, "Draws of each estimated landmark, from the spread of its estimate, that are carried into the verdict; 0 for the estimate alone.", least=0, most=200)


@dataclass(frozen=True)
class Semilandmarks(Block):
    """Semilandmarks of the scheme's curves and patches, and how they are slid."""

    curves: bool = key(True, "Whether the curves take part.")
    patches: bool = key(True, "Whether the patches take part; they need scans.")
    criterion: Literal["bending_energy", "procrustes"] = key("bending_energy", "What sliding makes least: the bending energy of the change from the mean, or the Procrustes distance to it.")
    passes: int = key(20, "Never more passes of sliding than this, even if it has not converged.", least=1, most=50)


@dataclass(frozen=True)
class Preparation(Block):
    """How digitisations become configurations that can be compared."""

    mirror_to: Literal["commoner", "left", "right"] = key("commoner", "Side that matching elements are brought to.")
    missing: Missing = key(Missing)
    semilandmarks: Semilandmarks = key(Semilandmarks)
    symmetry: Literal["symmetric", "as_is"] = key("symmetric", "What is analysed of an element with symmetry: object: its symmetric part, or the bone as it is.")
    distortion: list[str] = key([], "Specimens that were squashed or sheared in the ground, whose distortion is removed by making them symmetric; only for an element with symmetry: object.")


@dataclass(frozen=True)
class ShapeSpace(Block):
    """How many axes of shape space the multivariate tests use."""

    axes: Literal["share", "parallel", "broken_stick"] = key("share", "Rule for the number of axes: a share of variance, parallel analysis, or broken stick; never more than a third of the degrees of freedom within taxa.")
    share: float = key(0.9, "Share of variance to reach, for the rule share.", above=0, most=1)
    most: int = key(10, "Never more axes than this.", least=1)


@dataclass(frozen=True)
class Model(Block):
    """The linear model of shape."""

    terms: list[Filled | Annotated[list[Filled], "minItems", 2, "maxItems", 3]] = key(["size", "taxon"], "Terms in the order they are tested: size (log centroid size), taxon, or any column of the specimen table; a list within the list is an interaction.", minItems=1)


@dataclass(frozen=True)
class Tests(Block):
    """The statistical tests."""

    permutations: int = key(9999, "Permutations of each test; 0 gives no p-values.", least=0, most=1_000_000)
    alpha: float = key(0.05, "Level of the tests.", above=0, most=0.5)
    smallest_taxon: int = key(4, "A taxon with fewer specimens takes no part in tests between taxa, and no verdict of inside rests on it.", least=2)
    difference: float | None = key(None, "Procrustes distance that a new form is to be noticed at: a verdict of inside needs that a form as far from every taxon would have been told outside in four of five cases. By default the distance between the two nearest known taxa.", above=0, most=3, examples=[0.05])
    covariance: Literal["pooled", "shrunken"] = key("pooled", "Within-taxon covariance of the discriminant analysis: plain, or shrunken after Ledoit and Wolf.")
    folds: Literal["leave_one_out"] | Annotated[int, "minimum", 2] = key("leave_one_out", "Folds of the cross-validation: leave_one_out, or a number.")


@dataclass(frozen=True)
class Robustness(Block):
    """How hard the verdict is tried: on the sample's own specimens, under other choices, with more
    specimens.
    """

    smallest_share: float = key(0.8, "A verdict that holds in a smaller share of the settings of any one kind of choice is undecided (size, landmarks and specimens left out take none back; of fewer than ten settings at least two must turn it, or the only one); 0 lets every verdict stand that no suspected digitisation turns.", least=0, most=1)
    error_draws: int = key(50, "Times that each query is drawn as it might come out if it were digitised again; needs replicates.", least=0, most=1000)
    rarefactions: int = key(200, "Subsamples of each number of specimens behind the curves of error against sample size.", least=2, most=10_000)
    simulations: int = key(40, "Simulations of each number of specimens added to the nearest taxon, to see whether more would decide; 0 leaves this out.", least=0, most=1000)


@dataclass(frozen=True)
class Differences(Block):
    """What sets each query apart, told in landmarks, measurements and proportions."""

    against: Literal["nearest", "all"] = key("nearest", "Taxa that each query's differences are told from: the nearest one, or all.")


@dataclass(frozen=True)
class Figures(Block):
    """Choices for the figures."""

    outlines: Literal["hulls", "ellipses"] = key("hulls", "What is drawn around the specimens of a taxon.")
    exaggeration: float = key(1, "Factor by which drawn shape changes are exaggerated; said in the caption where it is not 1.", above=0, most=20, formerly="magnify")
    measurements: int = key(12, "How many of the ranked measurements are drawn.", least=1, most=40)


@dataclass(frozen=True)
class Report(Block):
    """What goes with the report."""

    scans_in_archive: bool = key(False, "Whether scans go into the archive for a data repository.")


@dataclass(frozen=True)
class Settings(Block):
    """One study: where the tables and scans are, and how they are to be analysed.

    Paths are relative to the folder of study.yaml.
    """

    title: Filled = key(str, "Title of the study, shown on the report.", needed=True, examples=["My study"])
    notice: str = key("", "A sentence shown in a box at the top of the report.")
    seed: int = key(1, "Seed of every random draw: same inputs and seed give the same tables.", least=0)
    results: Filled = key("results", "Folder the workflow writes to; it must be one of its own.")
    specimens: Specimens = key(Specimens, needed=True)
    landmarks: Landmarks = key(Landmarks, needed=True)
    scans: Scans | None = key(None)
    elements: dict[str, Element] = key(dict, "The elements (bones) of the study, each with its scheme.", needed=True, examples=[{"bone": {"scheme": "schemes/bone.yaml"}}], minProperties=1, propertyNames={"pattern": "^[A-Za-z][A-Za-z0-9_]*$", "maxLength": 60})
    preparation: Preparation = key(Preparation)
    shape_space: ShapeSpace = key(ShapeSpace)
    model: Model = key(Model)
    tests: Tests = key(Tests)
    robustness: Robustness = key(Robustness)
    differences: Differences = key(Differences)
    figures: Figures = key(Figures)
    report: Report = key(Report)
