"""What is judged, and by which rules: specimens of an element as the verdict needs them.

Apart from `sample`, so that steps which give no verdict do not run again when it changes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from numpy.typing import NDArray

from morpho.inference.data.specimen_error import point_errors
from morpho.inference.membership.judging import Rules, Shapes
from morpho.inference.robustness.reanalysis import Frame, Material
from morpho.results.store import ElementResults
from morpho.steps.streams import seed_of

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["judged_shapes", "material_of", "rules_of"]


def judged_shapes(results: ElementResults) -> tuple[NDArray[Any], Shapes, Shapes]:
    """Read names of the queries, the known specimens and the queries as the tests see them."""
    given = results.arrays("superimposed")
    frame = Frame(given["mean"], given["tangent"], given["log_size"])
    names, material = material_of(results)
    known = material.known
    return names[~known], material.shapes(frame, known), material.shapes(frame, ~known)


def rules_of(config: StudyConfig, element: str, results: ElementResults) -> Rules:
    """What verdicts on an element are made by."""
    tests = config.settings.tests
    return Rules(
        tests.alpha,
        tests.smallest_taxon,
        results.notes("grow")["slopes_p_value"],
        seed_of(config.settings.seed, element, "place"),
    )


def material_of(results: ElementResults) -> tuple[NDArray[Any], Material]:
    """Read the configurations as they go into a whole analysis."""
    given = results.arrays("configurations")
    symmetric = results.notes("superimpose")["symmetric"]
    errors = results.table("specimen_error").set_index("specimen").reindex(given["specimen"])
    points = results.table("landmark_error").set_index("landmark")["error_mm"]
    error, unmeasured = None, None
    if len(points) and errors["error_mm"].notna().all():
        error = point_errors(
            errors["error_mm"], errors["digitisations"], points.reindex(given["point"])
        )
        unmeasured = (errors["told_by"] == "others").to_numpy()
    return given["specimen"], Material(
        given["coordinates"],
        given["taxon"],
        given["known"],
        given["partners"] if symmetric else None,
        error,
        unmeasured,
    )
