"""The bones that are held against each other: superimposed, in mm, and in words for their axes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from morpho.results.directions import Directions
from morpho.results.store import ElementResults
from morpho.shape.orientation import axis_across
from morpho.steps.show.superimposed import estimated_points, superimposed_shapes
from morpho.study.scheme.reading import Scheme

__all__ = ["ComparedBones", "compared_bones"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class ComparedBones:
    """Known specimens and queries, superimposed and in mm.

    Attributes
    ----------
    mean : ndarray of shape (n_points, 3)
        In the anatomical frame, at unit centroid size.
    partners : ndarray of int, of shape (n_points,) or None
        The point on the other side of each; only where the symmetric part of the bones is
        analysed, so that their two sides are one.
    directions : Directions
        Words for the axes.
    outward : ndarray of shape (n_points,)
        1 or -1 where that way along the axis across leads away from the midline; else 0.
    frame : dict of str to str
        By specimen, what its directions are told in.
    shapes : ndarray of shape (n_specimens, n_points, 3)
    in_mm : ndarray of shape (n_specimens, n_points, 3)
    size, log_size : ndarray of shape (n_specimens,)
    taxon : ndarray of shape (n_specimens,)
    known : ndarray of bool, of shape (n_specimens,)
    specimen, point : list of str
    kind : ndarray of shape (n_points,)
    missing : ndarray of bool, of shape (n_specimens, n_points)
        Points that are estimated.
    """

    mean: Array
    partners: NDArray[np.intp] | None
    directions: Directions
    outward: Array
    frame: dict[str, str]
    shapes: Array
    in_mm: Array
    size: Array
    log_size: Array
    taxon: NDArray[Any]
    known: NDArray[np.bool_]
    specimen: list[str]
    point: list[str]
    kind: NDArray[Any]
    missing: NDArray[np.bool_]


def compared_bones(results: ElementResults, scheme: Scheme) -> ComparedBones:
    """Read the bones of an element.

    Parameters
    ----------
    results : ElementResults
    scheme : Scheme

    Returns
    -------
    ComparedBones
    """
    given, placed = results.arrays("configurations"), results.arrays("superimposed")
    notes, side = results.notes("superimpose"), results.notes("prepare")["side"]
    partners = given["partners"] if notes["symmetric"] else None
    across = None if partners is None else axis_across(placed["mean"], partners)
    directions = Directions(notes["towards"], notes["away"], across[0] if across else None)
    mirrored = results.table("specimens").set_index("specimen")["mirrored"]
    unsure = not (scheme.axes and scheme.axes["z"].start)
    return ComparedBones(
        placed["mean"],
        partners,
        directions,
        across[1] if across else np.zeros(len(placed["mean"])),
        {
            name: directions.frame(side, bool(mirrored[name]), unsure)
            for name in given["specimen"].tolist()
        },
        superimposed_shapes(placed),
        given["coordinates"],
        np.exp(placed["log_size"]),
        placed["log_size"],
        given["taxon"],
        given["known"],
        given["specimen"].tolist(),
        given["point"].tolist(),
        given["kind"],
        estimated_points(results, given),
    )
