"""The chain from raw configurations to a tested model, as the sample grows."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from measuring import Row, random_bones, seconds_in_turn

from morpho.inference.models.linear_model import term_tests
from morpho.inference.models.ordination import ShapeSpace
from morpho.shape.superimposition import GeneralizedProcrustes, centroid_size
from morpho.shape.tangent import TangentSpace

__all__ = ["chain", "run"]


def chain(n: int, k: int, permutations: int) -> dict[str, float]:
    """Seconds that each stage takes for `n` specimens of `k` landmarks."""
    X = random_bones(n, k, seed=2)
    variables = {
        "size": np.log(centroid_size(X)),
        "taxon": np.array([f"taxon {i % 4}" for i in range(n)]),
    }
    model = GeneralizedProcrustes().fit(X)
    aligned = model.transform(X)
    Y = TangentSpace(pole=model.mean_).fit(aligned).transform(aligned)
    seconds = seconds_in_turn(
        {
            "superimpose": lambda: GeneralizedProcrustes().fit_transform(X),
            "tangent": lambda: TangentSpace(pole=model.mean_).fit(aligned).transform(aligned),
            "axes": lambda: ShapeSpace(axes="broken_stick").fit_transform(Y),
            "model": lambda: term_tests(
                Y, ["size", "taxon"], variables, permutations=permutations, random_state=0
            ),
        },
        3,
    )
    return {stage: float(np.median(values)) for stage, values in seconds.items()}


def run(
    sizes: Sequence[int] = (100, 300, 1000, 3000), k: int = 50, permutations: int = 999
) -> list[Row]:
    """Measure.

    Parameters
    ----------
    sizes : sequence of int
        Numbers of specimens.
    k : int
        Landmarks.
    permutations : int

    Returns
    -------
    list of Row
        The result is time per specimen: level where a chain grows in proportion.
    """
    rows = []
    for n in sizes:
        stages = chain(n, k, permutations)
        whole = sum(stages.values())
        parts = ", ".join(f"{stage} {1e3 * value:.1f}" for stage, value in stages.items())
        what = f"chain, {n:,} x {k}, {permutations} permutations"
        rows.append(Row(what, f"{whole:.3f} s", f"ms: {parts}", 1e6 * whole / n, "us/specimen"))
    return rows
