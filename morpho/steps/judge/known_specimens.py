"""The known specimens of an element as the statistics need them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from morpho.inference.models.design import InferenceError
from morpho.results.store import ElementResults

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["Sample", "known_sample"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Sample:
    """Known specimens, row by row, and the taxa too small for tests between taxa."""

    specimen: NDArray[Any]
    taxon: NDArray[Any]
    tangent: Array
    scores: Array
    log_size: Array
    small: dict[str, int]

    def require_specimens(self) -> None:
        """Refuse a sample from which every taxon was left out."""
        if not self.specimen.size:
            raise InferenceError(
                "No taxon has enough specimens for tests between taxa; see tests: smallest_taxon "
                "in study.yaml.",
                "no_taxon",
            )


def known_sample(config: StudyConfig, results: ElementResults, *, all_taxa: bool = False) -> Sample:
    """Read the known specimens."""
    given = results.arrays("superimposed")
    scores = results.arrays("shape_space")["scores"]
    taxa, counts = np.unique(given["taxon"][given["known"]], return_counts=True)
    small = counts < config.settings.tests.smallest_taxon
    left_out = {str(t): int(c) for t, c in zip(taxa[small], counts[small], strict=True)}
    keep = given["known"].copy()
    if not all_taxa:
        keep &= ~np.isin(given["taxon"], taxa[small])
    return Sample(
        given["specimen"][keep],
        given["taxon"][keep],
        given["tangent"][keep],
        scores[keep],
        given["log_size"][keep],
        left_out,
    )
