"""What sliding points are brought back to: digitised curves and scans."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from morpho.shape.semilandmarks.curves import project_to_polyline
from morpho.shape.surfaces.patches import closest_on_surface

__all__ = ["Outlines"]

Array = NDArray[np.float64]


class Outlines:
    """Digitised curves and scans of specimens; called by `morpho.shape.semilandmarks.sliding`.

    Parameters
    ----------
    curves : mapping of str to ndarray of int
        Points along each curve, from one end landmark to the other.
    lines : mapping of str to ndarray of shape (n_specimens, n_line_points, 3)
        Each curve as it was digitised; NaN as a whole in a specimen where it was not.
    surface : ndarray of int
        Points on surfaces.
    meshes : sequence of trimesh.Trimesh or None
        The scan of each specimen.
    """

    def __init__(
        self,
        curves: Mapping[str, NDArray[np.intp]],
        lines: Mapping[str, Array],
        surface: NDArray[np.intp],
        meshes: Sequence[Any],
    ) -> None:
        self.curves, self.lines = curves, lines
        self.surface, self.meshes = surface, meshes

    def __call__(self, i: int, points: Array) -> tuple[Array, Array | None]:
        """Bring the semilandmarks of specimen i back; with the normals of the surface ones."""
        points = points.copy()
        for name, along in self.curves.items():
            line = self.lines[name][i]
            if not np.isnan(line).any():
                points[along[1:-1]] = project_to_polyline(points[along[1:-1]], line)[0]
        if not self.surface.size or self.meshes[i] is None:
            return points, None
        closest, _, face = closest_on_surface(self.meshes[i], points[self.surface])
        points[self.surface] = closest
        return points, np.asarray(self.meshes[i].face_normals[face])
