"""Measurements that mirror each other on a symmetric bone: one of each two is enough."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from morpho.inference.differences.measurements import Measurement, named_measurement

__all__ = ["mirror_images"]


def _ends(m: Measurement) -> tuple[str, tuple[object, ...]]:
    """What is measured, whichever way its lines run."""
    p = m.points
    if m.kind == "angle":
        return m.kind, (p[1], frozenset((p[0], p[2])))
    return m.kind, tuple(frozenset(p[i : i + 2]) for i in range(0, len(p), 2))


def mirror_images(
    measurements: Sequence[Measurement], partners: ArrayLike, landmarks: Sequence[str]
) -> tuple[list[Measurement], list[Measurement | None]]:
    """One of each two measurements that mirror each other, and its image on the other side.

    Parameters
    ----------
    measurements : sequence of Measurement
        The first of two mirror images is kept.
    partners : array-like of int, of shape (n_landmarks,)
        Landmark on the other side of each; itself on the midline.
    landmarks : sequence of str
        Names of all landmarks, for those of the images.

    Returns
    -------
    kept : list of Measurement
    images : list of Measurement or None
        Named by its landmarks; None where a measurement is its own image.

    Examples
    --------
    >>> kept, images = mirror_images(
    ...     [Measurement("left", (0, 1)), Measurement("right", (0, 2))],
    ...     [0, 2, 1], ["roof", "wing_l", "wing_r"],
    ... )
    >>> [m.name for m in kept], images[0].name
    (['left'], 'roof to wing_r')
    """
    other = np.asarray(partners)
    kept: list[Measurement] = []
    images: list[Measurement | None] = []
    taken = set()
    for m in measurements:
        image = Measurement(m.name, tuple(int(other[i]) for i in m.points))
        if _ends(image) in taken:
            continue
        taken.add(_ends(m))
        kept.append(m)
        if _ends(image) == _ends(m):
            images.append(None)
        else:
            names = [landmarks[i] for i in image.points]
            images.append(named_measurement("", names, landmarks))
    return kept, images
