"""Peak memory of generalized Procrustes, in copies of its input."""

from __future__ import annotations

import tracemalloc

from measuring import Row, random_bones

from morpho.shape.superimposition import GeneralizedProcrustes

__all__ = ["run"]


def run(n: int = 10_000, k: int = 500) -> list[Row]:
    """Measure. The input itself and the result count; numpy reports to tracemalloc.

    Parameters
    ----------
    n, k : int
        Specimens and landmarks.

    Returns
    -------
    list of Row
    """
    X = random_bones(n, k)
    tracemalloc.start()
    try:
        GeneralizedProcrustes().fit_transform(X)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    copies = 1 + peak / X.nbytes
    return [
        Row(
            f"memory of superimposing {n:,} x {k}",
            f"{(peak + X.nbytes) / 1e6:.0f} MB",
            f"input {X.nbytes / 1e6:.0f} MB",
            copies,
            "copies",
            "< 6",
            copies < 6,
        )
    ]
