"""The whole procedure again, from configurations to verdicts, on changed material."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from morpho.inference.membership.judging import Judgement, Rules, Shapes, judge
from morpho.inference.models.design import InferenceError
from morpho.inference.models.slopes import equal_slopes
from morpho.shape.superimposition import GeneralizedProcrustes, centroid_size
from morpho.shape.symmetry.sides import symmetric_component
from morpho.shape.tangent import TangentSpace

__all__ = ["Frame", "Material", "analyse", "frame_of", "shape_error"]

Array = NDArray[np.float64]

# Permutations of the test of equal slopes when it is made again.
_PERMUTATIONS = 499


@dataclass(frozen=True)
class Material:
    """Complete configurations of one element, known specimens and queries.

    Attributes
    ----------
    coordinates : ndarray of shape (n_specimens, n_points, 3)
        In mm.
    taxon : ndarray of shape (n_specimens,)
    known : ndarray of bool, of shape (n_specimens,)
        The others are queries.
    partners : ndarray of shape (n_points,) or None
        Where the symmetric part is analysed: the point on the other side.
    error_mm : ndarray of shape (n_specimens, n_points), optional
        Root mean square distance of the points from their true places.
    unmeasured : ndarray of bool, of shape (n_specimens,), optional
        Specimens whose error is inferred from others that were digitised by others.
    """

    coordinates: Array
    taxon: NDArray[Any]
    known: NDArray[np.bool_]
    partners: NDArray[np.intp] | None = None
    error_mm: Array | None = None
    unmeasured: NDArray[np.bool_] | None = None

    def without_points(self, points: NDArray[np.intp]) -> Material:
        """The material without some points and their partners.

        Parameters
        ----------
        points : ndarray of int

        Returns
        -------
        Material
        """
        gone = set(np.asarray(points).tolist())
        if self.partners is not None:
            gone |= set(self.partners[list(gone)].tolist())
        kept = np.setdiff1d(np.arange(self.coordinates.shape[1]), list(gone))
        partners = None
        if self.partners is not None:
            place = np.full(self.coordinates.shape[1], -1)
            place[kept] = np.arange(len(kept))
            partners = place[self.partners[kept]]
        error = None if self.error_mm is None else self.error_mm[:, kept]
        return replace(
            self, coordinates=self.coordinates[:, kept], partners=partners, error_mm=error
        )

    def of(self, specimens: NDArray[Any], queries: NDArray[np.bool_] | None = None) -> Material:
        """Some of the specimens, with others than the queries held against the rest.

        Parameters
        ----------
        specimens : ndarray
            Which to keep, as places or yes and no.
        queries : ndarray of bool, of shape (n_specimens,), optional
            Of all specimens: those to be judged, in place of the queries.

        Returns
        -------
        Material
        """
        known = self.known if queries is None else ~queries
        return replace(
            self,
            coordinates=self.coordinates[specimens],
            taxon=self.taxon[specimens],
            known=known[specimens],
            error_mm=None if self.error_mm is None else self.error_mm[specimens],
            unmeasured=None if self.unmeasured is None else self.unmeasured[specimens],
        )

    def shapes(self, frame: Frame, part: NDArray[np.bool_]) -> Shapes:
        """Some of the specimens as the tests see them.

        Parameters
        ----------
        frame : Frame
        part : ndarray of bool, of shape (n_specimens,)

        Returns
        -------
        Shapes
        """
        error = shape_error(self)
        return Shapes(
            frame.tangent[part],
            frame.log_size[part],
            self.taxon[part],
            None if error is None else error[part],
            None if self.unmeasured is None else self.unmeasured[part],
            self.coordinates.shape[2],
        )

    def at(self, places: NDArray[Any], coordinates: Array) -> Material:
        """The material with other coordinates for some specimens.

        Parameters
        ----------
        places : ndarray of int
        coordinates : ndarray of shape (n_places, n_points, 3)

        Returns
        -------
        Material
        """
        X = self.coordinates.copy()
        X[places] = coordinates
        return replace(self, coordinates=X)


@dataclass(frozen=True)
class Frame:
    """The frame that known specimens make, with all specimens in it.

    Attributes
    ----------
    mean : ndarray of shape (n_points, 3)
    tangent : ndarray of shape (n_specimens, n_variables)
    log_size : ndarray of shape (n_specimens,)
    """

    mean: Array
    tangent: Array
    log_size: Array


def shape_error(material: Material) -> Array | None:
    """Variance of a tangent coordinate by digitising: in proportion to a specimen's size.

    Parameters
    ----------
    material : Material

    Returns
    -------
    ndarray of shape (n_specimens,) or None
        The mean over points; None where it was not measured. Errors are taken to be alike in all
        directions; of the mean of a point and its image on the other side, a quarter of both
        variances is left, and of a point on the midline two of three directions.
    """
    if material.error_mm is None:
        return None
    variance = material.error_mm**2 / 3
    if material.partners is not None:
        alone = material.partners == np.arange(len(material.partners))
        shared = (variance + variance[:, material.partners]) / 4
        variance = np.where(alone, variance * 2 / 3, shared)
    return variance.mean(axis=1) / centroid_size(material.coordinates) ** 2


def frame_of(material: Material) -> Frame:
    """Superimpose the known specimens and fit the queries to them.

    Parameters
    ----------
    material : Material

    Returns
    -------
    Frame

    Raises
    ------
    ShapeError
        If the configurations cannot be superimposed.
    """
    X = material.coordinates
    log_size = np.log(centroid_size(X))
    if material.partners is not None:
        X = symmetric_component(X, material.partners)
    model = GeneralizedProcrustes().fit(X[material.known])
    aligned = model.transform(X)
    space = TangentSpace(pole=model.mean_).fit(aligned)
    return Frame(model.mean_, space.transform(aligned), log_size)


def _slopes_test(known: Shapes, rules: Rules) -> float | None:
    """P-value of the test that taxa share one growth line.

    Taxa below the smallest number of specimens take no part.
    """
    _, place, counts = np.unique(known.taxon, return_inverse=True, return_counts=True)
    kept = counts[place] >= rules.smallest_taxon
    if len(np.unique(place[kept])) < 2:
        return None
    try:
        table = equal_slopes(
            known.tangent[kept],
            known.log_size[kept],
            known.taxon[kept],
            permutations=_PERMUTATIONS,
            random_state=np.random.default_rng(rules.seed),
        )
    except InferenceError:
        return None
    p = table.loc[table["term"] == "size by taxon", "p_value"]
    return float(p.iloc[0]) if len(p) and np.isfinite(p.iloc[0]) else None


def _with_slopes(known: Shapes, rules: Rules) -> Rules:
    """The rules, with the test of equal slopes made again on these known specimens."""
    return replace(rules, slopes_p_value=_slopes_test(known, rules))


def analyse(
    material: Material, rules: Rules, *, frame: Frame | None = None, test_slopes: bool = True
) -> Judgement:
    """Superimpose, test the slopes, choose the axes and judge, all from the material alone.

    Parameters
    ----------
    material : Material
    rules : Rules
    frame : Frame, optional
        Where it is known already.
    test_slopes : bool
        Whether the test of equal slopes is made again.

    Returns
    -------
    Judgement
        Without verdicts where the known specimens are too few.
    """
    found = frame or frame_of(material)
    known = material.known
    shapes, queries = (material.shapes(found, part) for part in (known, ~known))
    return judge(shapes, queries, _with_slopes(shapes, rules) if test_slopes else rules)
