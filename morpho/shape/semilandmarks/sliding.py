"""Semilandmarks slid along curves and surfaces until they are as good as landmarks."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.spatial.distance import cdist
from threadpoolctl import threadpool_limits

from morpho.shape.checks import ShapeError, check_configurations
from morpho.shape.rotation import best_rotations
from morpho.shape.semilandmarks.curves import curve_tangents
from morpho.shape.superimposition import GeneralizedProcrustes, centroid_size
from morpho.shape.thin_plate import bending_energy_matrix

__all__ = ["Project", "SlidingResult", "slide"]

Array = NDArray[np.float64]
Whole = NDArray[np.intp]

Project = Callable[[int, Array], tuple[Array, Array | None]]

# Added to the diagonal, as a share of its mean: where all sliding points can move
# together without bending anything, the equations alone would have no single answer.
_RIDGE = 1e-9

# Steps along a curve close a gap between two neighbours by this share at most, so that
# points never change places; the steps of the whole curve are shortened alike.
_CLOSING = 0.8
# A step on a surface is at most this many times the usual distance of its points: the
# tangent plane is no guide further out.
_LONGEST = 2.0


def _as_indices(indices: ArrayLike, k: int, what: str) -> Whole:
    array = np.asarray(indices)
    if array.ndim != 1 or (len(array) and not np.issubdtype(array.dtype, np.integer)):
        raise ShapeError(f"{what} must be a list of whole numbers, the places of its points.")
    wrong = array[(array < 0) | (array >= k)]
    if len(wrong):
        raise ShapeError(f"{what} names point {wrong[0]}, but there are points 0 to {k - 1}.")
    return array.astype(np.intp)


class _SlidingPlan:
    """Which points slide, along what, and how far they may go at once."""

    def __init__(
        self, k: int, d: int, curves: Sequence[ArrayLike], surfaces: ArrayLike | None
    ) -> None:
        self.curves = [_as_indices(c, k, f"Curve {i}") for i, c in enumerate(curves)]
        for i, curve in enumerate(self.curves):
            if len(curve) < 3:
                raise ShapeError(
                    f"Curve {i} (counted from 0) has {len(curve)} points: it needs both end "
                    "landmarks and at least one semilandmark between them."
                )
        no_points = np.empty(0, dtype=np.intp)
        self.surface = no_points if surfaces is None else _as_indices(surfaces, k, "`surfaces`")
        if len(self.surface) and d != 3:
            raise ShapeError("Surface semilandmarks slide in three dimensions only.")
        on_curves = np.concatenate([no_points, *(c[1:-1] for c in self.curves)])
        # of the columns of the equations: one for each point on a curve, then two on a surface
        self.points = np.concatenate([on_curves, np.repeat(self.surface, 2)])
        sliding = np.concatenate([on_curves, self.surface])
        places, counts = np.unique(sliding, return_counts=True)
        if not len(places):
            raise ShapeError("No curve or surface was given: there is nothing to slide.")
        if (counts > 1).any():
            raise ShapeError(
                f"Points {places[counts > 1][:10].tolist()} (counted from 0) slide on more than "
                "one curve or surface, or stand twice on one: each can slide on one only."
            )
        self.sliding = np.zeros(k, dtype=bool)
        self.sliding[sliding] = True

    def directions(self, x: Array, normals: Array, frames: Array) -> Array:
        """Unit tangents of one specimen, one row for each column of the equations.

        Each surface point has two frames, square to each other; the tangents lie as near to them
        as they can, so that they are comparable between specimens.
        """
        T = np.empty((len(self.points), x.shape[1]))
        start = 0
        for curve in self.curves:
            T[start : start + len(curve) - 2] = curve_tangents(x[curve])
            start += len(curve) - 2
        if len(self.surface):
            first, second = frames[:, 0], frames[:, 1]
            share = (first * normals).sum(axis=1, keepdims=True)
            steep = np.abs(share) > 0.9  # the first direction says little there
            first = np.where(steep, np.cross(second, normals), first - share * normals)
            first /= np.linalg.norm(first, axis=1, keepdims=True)
            across = np.cross(normals, first)
            turned = (across * second).sum(axis=1, keepdims=True) < 0
            T[start::2], T[start + 1 :: 2] = first, np.where(turned, -across, across)
        return T

    def spacing(self, reference: Array) -> float:
        """Median distance of the reference's surface points from the point next to them."""
        if not len(self.surface):
            return 0.0
        apart = cdist(reference[self.surface], reference)
        apart[np.arange(len(self.surface)), self.surface] = np.inf
        return float(np.median(apart.min(axis=1)))

    def limit(self, t: Array, x: Array, spacing: float) -> Array:
        """Steps cut short where they would overshoot."""
        t, start = t.copy(), 0
        for curve in self.curves:
            steps = t[start : start + len(curve) - 2]
            start += len(steps)
            along, tangents = np.diff(x[curve], axis=0), curve_tangents(x[curve])
            moved = np.pad(steps[:, None] * tangents, ((1, 1), (0, 0)))
            # How much of each gap would be closed; points out of order must be let pass.
            gap, closing = (along**2).sum(axis=1), -(np.diff(moved, axis=0) * along).sum(axis=1)
            after = np.append(True, (along[1:] * tangents).sum(axis=1) > 0)
            before = np.append((along[:-1] * tangents).sum(axis=1) > 0, True)
            over = before & after & (closing > _CLOSING * gap)
            if over.any():
                steps *= (_CLOSING * gap[over] / closing[over]).min()
        pairs = t[start:].reshape(-1, 2)
        length = np.maximum(np.linalg.norm(pairs, axis=1), 1e-300)
        pairs *= np.minimum(_LONGEST * spacing / length, 1.0)[:, None]
        return t


@dataclass(frozen=True)
class SlidingResult:
    """Slid configurations, and how the sliding went.

    Attributes
    ----------
    coordinates : ndarray of shape (n_specimens, n_landmarks, n_dimensions)
        In each specimen's own pose and scale.
    passes : int
        Passes made.
    converged : bool
        Whether the last pass of each specimen moved it by less than the tolerance.
    changes : ndarray of shape (passes,)
        Root mean square, over the specimens of a pass, of how far it moved them:
        root of the summed squared moves, over the specimen's centroid size. It is on the
        scale of Procrustes distances.
    energy : ndarray of shape (passes + 1,)
        What is minimised, as a mean over all specimens, before sliding and after each
        pass: bending energy from the reference to the specimen, or squared distance from
        it, both at unit centroid size and with the reference of that moment.
    """

    coordinates: Array
    passes: int
    converged: bool
    changes: Array
    energy: Array


def _unit_normals(normals: ArrayLike, shape: tuple[int, ...]) -> Array:
    array = np.asarray(normals, dtype=float)
    if array.shape != shape:
        raise ShapeError(
            f"Normals must have shape {shape}, one for each surface point, but have {array.shape}."
        )
    length = np.linalg.norm(array, axis=-1, keepdims=True)
    if not (np.isfinite(length) & (length > 0)).all():
        raise ShapeError("Normals of surface points must have a length and no missing values.")
    return array / length


class _Bending:
    """Least bending energy of the reference's spline to the specimen."""

    def __init__(self, reference: Array, plan: _SlidingPlan) -> None:
        self.B = bending_energy_matrix(reference)
        self.of_points = self.B[np.ix_(plan.points, plan.points)]
        self.plan, self.spacing = plan, plan.spacing(reference)

    def energy(self, x: Array, turn: Array) -> float:
        return float((x * (self.B @ x)).sum())

    def steps(self, x: Array, T: Array, turn: Array) -> Array:
        # U' (I (x) B) U, without the Kronecker product: all coordinates share the one B
        M = self.of_points * (T @ T.T)
        slope = ((self.B @ x)[self.plan.points] * T).sum(axis=1)
        M[np.diag_indices_from(M)] += _RIDGE * np.trace(M) / len(M)
        factor = cho_factor(M, lower=True, overwrite_a=True, check_finite=False)
        t = -cho_solve(factor, slope, check_finite=False)
        return self.plan.limit(t, x, float(np.linalg.norm(x)) * self.spacing)


class _Distance:
    """Least Procrustes distance of the specimen from the reference."""

    def __init__(self, reference: Array, plan: _SlidingPlan) -> None:
        self.reference, self.plan, self.spacing = reference, plan, plan.spacing(reference)

    def _away(self, x: Array, turn: Array) -> Array:
        return x - np.linalg.norm(x) * self.reference @ turn

    def energy(self, x: Array, turn: Array) -> float:
        return float((self._away(x, turn) ** 2).sum())

    def steps(self, x: Array, T: Array, turn: Array) -> Array:
        t = -(self._away(x, turn)[self.plan.points] * T).sum(axis=1)
        return self.plan.limit(t, x, float(np.linalg.norm(x)) * self.spacing)


_CRITERIA: dict[str, type[_Bending] | type[_Distance]] = {
    "bending_energy": _Bending,
    "procrustes": _Distance,
}


class _Reference:
    """The known specimens' mean, and what their steps towards it have in common.

    `frames` are two directions for each surface point, in the pose of the mean, that
    span the tangent plane there: the axes with the least of the mean of n n'.
    """

    def __init__(self, slider: _Slider) -> None:
        plan, known = slider.plan, slider.known
        self.mean = GeneralizedProcrustes().fit(slider.X[known]).mean_
        self.criterion = _CRITERIA[slider.criterion](self.mean, plan)
        self.frames = np.empty((0, 2, self.mean.shape[1]))
        self.shared: Array | None = None
        if len(plan.surface):
            n = slider.normals[known] @ self.turns(slider.X[known]).transpose(0, 2, 1)
            axes = np.linalg.eigh(np.einsum("nma,nmb->mab", n, n))[1]
            self.frames = axes[:, :, :2].transpose(0, 2, 1)

    def turns(self, X: Array) -> Array:
        """Rotations from the pose of the mean to that of each specimen."""
        centred = X - X.mean(axis=1, keepdims=True)
        return best_rotations(self.mean.T @ centred)


class _Slider:
    """The configurations as they stand, and passes over them."""

    def __init__(
        self, X: Array, plan: _SlidingPlan, known: NDArray[np.bool_], criterion: str,
        normals: ArrayLike | None, project: Project | None,
    ) -> None:  # fmt: skip
        self.X, self.plan, self.known, self.criterion = X, plan, known, criterion
        self.project = project
        m = len(plan.surface)
        self.normals = np.empty((len(X), m, X.shape[2]))
        if normals is not None:
            self.normals[:] = _unit_normals(normals, self.normals.shape)
        elif m and not all([self._bring_back(i) for i in range(len(X))]):
            raise ShapeError(
                "Surface points need normals: give `normals`, or a `project` that returns them."
            )

    def _bring_back(self, i: int) -> bool:
        """Put the sliding points of a specimen back; tell whether normals came along."""
        if self.project is None:
            return False
        back, normals = self.project(i, self.X[i].copy())
        back = np.asarray(back, dtype=float)
        if back.shape != self.X[i].shape or not np.isfinite(back[self.plan.sliding]).all():
            raise ShapeError(
                f"`project` must return points of shape {self.X[i].shape} without missing "
                f"values, but for specimen {i} (counted from 0) it did not."
            )
        self.X[i, self.plan.sliding] = back[self.plan.sliding]
        if normals is None or not len(self.plan.surface):
            return False
        self.normals[i] = _unit_normals(normals, self.normals[i].shape)
        return True

    def go(self, active: Whole, reference: _Reference) -> Array:
        """One pass: slide, bring back, and tell how far each specimen moved."""
        X = self.X[active]
        centred = X - X.mean(axis=1, keepdims=True)
        sizes = centroid_size(X)
        T = np.empty((len(X), len(self.plan.points), X.shape[2]))
        t = np.empty(T.shape[:2])
        for i, turn in enumerate(reference.turns(X)):
            frames = reference.frames @ turn
            T[i] = self.plan.directions(X[i], self.normals[active[i]], frames)
            t[i] = reference.criterion.steps(centred[i], T[i], turn) / sizes[i]
        if reference.shared is None or self.known[active].any():
            reference.shared = t[self.known[active]].mean(axis=0)
        t = (t - reference.shared) * sizes[:, None]
        for i, specimen in enumerate(active):
            step = self.plan.limit(t[i], X[i], sizes[i] * reference.criterion.spacing)
            np.add.at(self.X[specimen], self.plan.points, step[:, None] * T[i])
            self._bring_back(int(specimen))
        return np.linalg.norm(self.X[active] - X, axis=(1, 2)) / sizes

    def energy(self, reference: _Reference) -> float:
        """What is minimised, as a mean over all specimens at unit centroid size."""
        X = self.X - self.X.mean(axis=1, keepdims=True)
        X /= np.linalg.norm(X, axis=(1, 2), keepdims=True)
        turns = reference.turns(X)
        pairs = zip(X, turns, strict=True)
        return float(np.mean([reference.criterion.energy(x, turn) for x, turn in pairs]))


def _check_known(known: ArrayLike | None, n: int) -> NDArray[np.bool_]:
    if known is None:
        return np.ones(n, dtype=bool)
    mask = np.asarray(known)
    if mask.shape != (n,) or mask.dtype != bool:
        raise ShapeError(f"`known` must be {n} truth values, one for each specimen.")
    if not mask.any():
        raise ShapeError("No specimen is known: there is nothing to make a reference of.")
    return mask


def _run(slider: _Slider, tolerance: float, max_passes: int) -> SlidingResult:
    known = slider.known
    reference = _Reference(slider)
    energies = [slider.energy(reference)]
    changes: list[float] = []
    active = np.arange(len(slider.X))
    settled = False  # whether the known are done, so that the reference stands
    while len(active) and len(changes) < max_passes:
        moves = slider.go(active, reference)
        changes.append(float(np.sqrt(np.mean(moves**2))))
        if settled:
            active = active[moves >= tolerance]
        elif np.sqrt(np.mean(moves[known] ** 2)) < tolerance:
            settled = True
            active = active[~known & (moves >= tolerance)]
        else:
            reference = _Reference(slider)
        energies.append(slider.energy(reference))
    done = settled and not len(active)
    return SlidingResult(slider.X, len(changes), done, np.array(changes), np.array(energies))


def slide(
    X: ArrayLike,
    *,
    curves: Sequence[ArrayLike],
    surfaces: ArrayLike | None = None,
    normals: ArrayLike | None = None,
    project: Project | None = None,
    criterion: str = "bending_energy",
    known: ArrayLike | None = None,
    tolerance: float = 1e-4,
    max_passes: int = 100,
) -> SlidingResult:
    r"""Slide semilandmarks along their curves and surfaces.

    Where a semilandmark lies *along* a curve means nothing; only where the curve lies
    does. Points are moved in the tangent until that arbitrary part of the differences
    between specimens is gone.

    Parameters
    ----------
    X : array-like of shape (n_specimens, n_landmarks, n_dimensions)
        Landmarks and semilandmarks, complete, in each specimen's own pose and scale.
    curves : sequence of array-like of int
        For each curve the places of its points among the landmarks, in order: an end
        landmark, its semilandmarks, the other end landmark. Ends do not slide, unless
        they are semilandmarks of another curve.
    surfaces : array-like of int, optional
        Places of the surface semilandmarks.
    normals : array-like of shape (n_specimens, n_surface_points, n_dimensions), optional
        Normals of the surfaces at these points; they need not point outwards.
    project : callable, optional
        ``project(i, points)`` brings the points of specimen i back to what was digitised.
        It is given all points, of shape (n_landmarks, n_dimensions), and returns as many,
        of which those that slide are used, and the normals at the surface points, or None
        to keep the old ones. It is called after each pass, and before the first one if
        there are surface points without `normals`. Without it, points stay on the
        tangents they slid along.
    criterion : {'bending_energy', 'procrustes'}
        What sliding makes as small as it can.
    known : array-like of bool of shape (n_specimens,), optional
        Specimens that make the reference; by default all. The others slide as well, but
        have no effect on the reference, nor on any other specimen.
    tolerance : float
        The known specimens are done when a pass moves them by less than this in root mean
        square (see `SlidingResult`), any other when it is itself moved by less.
    max_passes : int
        Passes at most.

    Returns
    -------
    SlidingResult

    Raises
    ------
    ShapeError
        If `X`, curves, surfaces, normals or what `project` returns do not fit each other;
        if a point would slide twice; if landmarks of the reference coincide or all lie in
        one plane.
    ValueError
        If `criterion` is unknown, or `tolerance` or `max_passes` is not positive.

    Notes
    -----
    In each pass the reference is the Procrustes mean of the known specimens as they
    stand. For a specimen :math:`y` with unit tangents in the columns of :math:`U` (one
    for each curve point, two for each surface point), the steps are

    .. math:: t = -(U^\top (I_d \otimes B)\, U)^{-1} U^\top (I_d \otimes B)\, y

    with :math:`B` the bending energy matrix of the reference, or :math:`t = -U^\top (y -
    r)` with :math:`r` the reference turned onto the specimen at its centroid size.
    As each column :math:`a` of :math:`U` belongs to one point :math:`j(a)`, with tangent
    :math:`\tau_a`, the matrix is :math:`B_{j(a) j(b)}\, \tau_a^\top \tau_b`, and no
    Kronecker product is formed. Bending energy does not change with the specimen's pose.

    What the known specimens' steps have in common, as a mean of :math:`t` at unit size,
    is taken off every specimen's steps: it is no difference between specimens, and would
    only carry the reference along its own curves and surfaces, pass after pass, without
    an end. The spacing of the mean thus stays as it was given.

    Steps that would bring points of a curve past each other are shortened, as are steps
    on surfaces of more than twice the usual distance of the points. Once the known
    specimens are done, the reference stands, and the others go on until each is done.

    References
    ----------
    Bookstein, F. L. (1997). Landmark methods for forms without landmarks: morphometrics
    of group differences in outline shape. Medical Image Analysis 1, 225-243.
    Gunz, P., Mitteroecker, P. & Bookstein, F. L. (2005). Semilandmarks in three
    dimensions. In Modern Morphometrics in Physical Anthropology, 73-98.
    Gunz, P. & Mitteroecker, P. (2013). Semilandmarks: a method for quantifying curves and
    surfaces. Hystrix 24, 103-109.

    Examples
    --------
    >>> import numpy as np
    >>> angle = np.linspace(0, np.pi, 9)
    >>> arch = np.column_stack([np.cos(angle), np.sin(angle)])
    >>> low = np.column_stack([np.cos(angle**1.2 / np.pi**0.2), np.sin(angle**1.2 / np.pi**0.2)])
    >>> result = slide([arch, low], curves=[range(9)])
    >>> bool(result.energy[-1] < 0.1 * result.energy[0])
    True
    """
    if criterion not in _CRITERIA:
        raise ValueError(
            f"`criterion` must be 'bending_energy' or 'procrustes', but is {criterion!r}."
        )
    if not tolerance > 0:
        raise ValueError(f"`tolerance` must be more than 0, but is {tolerance}.")
    if max_passes < 1:
        raise ValueError(f"`max_passes` must be 1 or more, but is {max_passes}.")
    X = check_configurations(X).copy()
    mask = _check_known(known, len(X))
    plan = _SlidingPlan(X.shape[1], X.shape[2], curves, surfaces)
    # One small system of equations for each specimen: threads would only wait in turn.
    with threadpool_limits(limits=1, user_api="blas"):
        return _run(_Slider(X, plan, mask, criterion, normals, project), tolerance, max_passes)
