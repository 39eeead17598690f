"""What is judged, and by which rules: specimens of an element as the verdict needs them.

Apart from `sample`, so that steps which give no verdict do not run again when it changes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from numpy.typing import NDArray

from morpho.inference.membership.judging import Rules, Shapes
from morpho.inference.robustness.reanalysis import Material
from morpho.results.store import ElementResults
from morpho.steps.judge.known_specimens import Sample
from morpho.steps.streams import seed_of

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["material_of", "queries_of", "rules_of", "shapes_of"]


def shapes_of(sample: Sample) -> Shapes:
    """Known specimens as the verdict's tests see them."""
    return Shapes(sample.tangent, sample.log_size, sample.taxon)


def queries_of(results: ElementResults) -> tuple[list[str], Shapes]:
    """Read the queries."""
    given = results.arrays("superimposed")
    query = ~given["known"]
    shapes = Shapes(given["tangent"][query], given["log_size"][query], given["taxon"][query])
    return given["specimen"][query].tolist(), shapes


def rules_of(config: StudyConfig, element: str, results: ElementResults) -> Rules:
    """What verdicts on an element are made by."""
    tests = config.settings.tests
    return Rules(
        tests.alpha,
        tests.smallest_taxon,
        results.notes("grow")["slopes_p_value"],
        config.settings.shape_space.plain(),
        seed_of(config.settings.seed, element, "place"),
    )


def material_of(results: ElementResults) -> tuple[NDArray[Any], Material]:
    """Read the configurations as they go into a whole analysis."""
    given = results.arrays("configurations")
    symmetric = results.notes("superimpose")["symmetric"]
    return given["specimen"], Material(
        given["coordinates"],
        given["taxon"],
        given["known"],
        given["partners"] if symmetric else None,
    )
