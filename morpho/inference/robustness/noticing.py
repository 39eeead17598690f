"""What this sample can tell: how different a form must be to be noticed, and where."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from morpho.inference.membership.calibrated import Reference, over_ways
from morpho.inference.membership.judging import Rules, Shapes, fitted
from morpho.inference.membership.known_taxa import KnownTaxa
from morpho.inference.models.design import InferenceError
from morpho.inference.models.proportion import exact_interval

__all__ = ["ENOUGH", "Noticing", "landmark_moves", "noticing"]

Array = NDArray[np.float64]

# Four of five: the share of forms that a sample must notice to be told from one that could not
# have noticed them, and of simulations in which a larger sample must decide to be called enough.
ENOUGH = 0.8
# Moves drawn for the whole bone, and for each landmark; at least one of each specimen.
_MOVES, _LANDMARK_MOVES = 2000, 200
# How the length of a move from which on all taxa reject is found: a length beyond it, by
# doubling, the last of so many steps at which a taxon keeps the specimen, and halving.
_DOUBLINGS, _STEPS, _HALVINGS = 40, 33, 20


@dataclass(frozen=True)
class Noticing:
    """What differences a sample notices.

    Attributes
    ----------
    difference : float
        Procrustes distance that is asked about: that between the two nearest known taxa, or the
        one that was stated; NaN where there is neither.
    nearest_taxa : tuple of str
        The two; empty where there is one taxon.
    power, power_low, power_high : float
        Share of forms as far from every taxon that would be told outside, with its exact 95 %
        interval for as many trials as there are specimens.
    smallest : float
        Procrustes distance of a difference that is noticed in four of five cases.
    landmarks_mm : ndarray of shape (n_landmarks,)
        For each landmark how far it must lie from its place, it alone, to be noticed in four of
        five cases, on a bone of mean size.
    """

    difference: float
    nearest_taxa: tuple[str, ...]
    power: float
    power_low: float
    power_high: float
    smallest: float
    landmarks_mm: Array


def landmark_moves(
    mean: Array, landmark: int, directions: Array, partners: NDArray[np.intp] | None = None
) -> Array:
    r"""Moves of one landmark, as they come out in tangent space.

    What a superimposition takes off, shift, turn and scale, is projected away to first order. In
    a symmetric analysis the landmark of the other side moves alike, as in a mirror.

    Parameters
    ----------
    mean : ndarray of shape (n_points, 3)
        Mean shape, of unit centroid size.
    landmark : int
    directions : ndarray of shape (n_moves, 3)
    partners : ndarray of shape (n_points,) or None

    Returns
    -------
    ndarray of shape (n_moves, n_variables)
    """
    centred = mean - mean.mean(axis=0)
    shifts = np.tile(np.eye(3), (len(mean), 1))
    turns = [np.cross(axis, centred).ravel() for axis in np.eye(3)]
    taken = np.linalg.qr(np.column_stack([shifts, *turns, centred.ravel()]))[0]
    moves = np.zeros((len(directions), len(mean), 3))
    moves[:, landmark] = directions
    if partners is not None:
        left, _, right = np.linalg.svd(centred.T @ centred[partners])
        flip = np.diag([1.0, 1.0, -np.sign(np.linalg.det(left @ right))])
        moves[:, partners[landmark]] += directions @ left @ flip @ right
        if partners[landmark] == landmark:
            moves /= 2
    flat = moves.reshape(len(directions), -1)
    return flat - (flat @ taken) @ taken.T


def _least_moves(
    models: list[KnownTaxa], critical: Array, who: NDArray[np.intp], moves: Array
) -> Array:
    """How many times each move must be made before the specimen is outside for good."""
    paths = [model.left_out.moved(who, moves) for model in models]

    def inside(at: Array) -> NDArray[np.bool_]:
        """Of shape (n_ways, n_moves): whether some taxon keeps a specimen moved so far."""
        keeps = np.zeros(at.shape, dtype=bool)
        for whole, landmarks in paths:
            squares = _polynomial(whole, at[..., None])
            sixths = _polynomial(landmarks, at[..., None])
            keeps |= (squares**3 * sixths <= critical**12).any(axis=-1)
        return keeps

    furthest = np.full(len(who), 1e-3)
    for _ in range(_DOUBLINGS):
        still = inside(furthest[None])[0]
        if not still.any():
            break
        furthest[still] *= 2
    steps = np.linspace(0.0, 1.0, _STEPS)[:, None] * furthest
    kept = inside(steps)
    last = np.where(kept.any(axis=0), _STEPS - 1 - kept[::-1].argmax(axis=0), 0)
    low = np.take_along_axis(steps, last[None], axis=0)[0]
    high = np.minimum(low + furthest / (_STEPS - 1), furthest)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        keeps = inside(middle[None])[0]
        low, high = np.where(keeps, middle, low), np.where(keeps, high, middle)
    return np.where(kept.any(axis=0), high, 0.0)


def _polynomial(coefficients: Array, at: Array) -> Array:
    """Value of polynomials, the constant first: of shape (n_ways, n_moves, n_taxa)."""
    value = np.zeros(np.broadcast_shapes(at.shape, coefficients[0].shape))
    for each in coefficients[::-1]:
        value = value * at + each
    return value


def _drawn(deviations: Array, count: int, rng: np.random.Generator) -> Array:
    """Random combinations of deviations, of one expected length."""
    normal = rng.standard_normal((count, len(deviations)))
    return normal @ deviations / np.linalg.norm(deviations)


def _means(model: KnownTaxa, size: float) -> Array:
    return model.predict(None if model.size is None else [size], 1)[0]


def noticing(
    known: Shapes,
    rules: Rules,
    mean: Array,
    *,
    partners: NDArray[np.intp] | None = None,
    landmarks: NDArray[np.intp] | None = None,
    difference: float | None = None,
    rng: np.random.Generator,
) -> Noticing:
    r"""Move known specimens, each left out, until they are told outside.

    Each is held against the others as a query is, with its own deviation and a move added. Moves
    follow what is known of how forms differ: half of their variance is that within taxa (random
    combinations of residuals), as forms that have only just parted differ by what varies in them,
    and half that among the means of the known taxa. Distances along a move are polynomials of its
    length, so that the length from which on all taxa reject is found without new fits.

    Parameters
    ----------
    known : Shapes
    rules : Rules
    mean : ndarray of shape (n_points, 3)
        Mean shape.
    partners : ndarray of shape (n_points,) or None
        Where the symmetric part is analysed: the point on the other side.
    landmarks : ndarray of int, of shape (n_landmarks,), optional
        Points to move by themselves; all by default.
    difference : float, optional
        Procrustes distance to ask about, in place of that between the two nearest taxa.
    rng : numpy.random.Generator

    Returns
    -------
    Noticing

    Raises
    ------
    InferenceError
        If the known specimens are too few to judge by.

    References
    ----------
    Schluter, D. (1996). Evolution 50(5), 1766-1774: lines of least resistance (from memory).
    """
    found, _, trouble = fitted(known, rules)
    if False not in found:
        raise trouble[False]
    models, last = list(found.values()), found[max(found)]
    ways = [model.left_out for model in models]
    critical = Reference.of(ways, last.columns, rules.alpha).critical()
    judged = np.flatnonzero(over_ways(ways)[1])
    if not judged.size or not np.isfinite(critical).all():
        raise InferenceError("Too few specimens can be left out.", "few_per_taxon")
    size = float(known.log_size.mean())
    means = _means(last, size)
    pairs = list(combinations(range(len(means)), 2))
    apart = [float(np.linalg.norm(means[a] - means[b])) for a, b in pairs]
    nearest = pairs[int(np.argmin(apart))] if pairs else ()
    asked = difference or (min(apart) if apart else np.nan)

    who = np.resize(judged, max(_MOVES, len(judged)))
    moves = _drawn(last.residuals, len(who), rng)
    if pairs:
        moves += _drawn(means - means.mean(axis=0), len(who), rng)
    moves /= np.linalg.norm(moves, axis=1, keepdims=True)
    least = _least_moves(models, critical, who, moves)
    power = low = high = np.nan
    if np.isfinite(asked):
        own = np.argmax(last.columns, axis=1)[who]
        between = means[own][:, None] - means
        # a move must not lead nearer to another taxon than asked about
        far = ((between**2).sum(axis=2) + 2 * asked * np.einsum("bgm,bm->bg", between, moves)) >= 0
        far[np.arange(len(who)), own] = True
        far = far.all(axis=1)
        power = float((least[far] <= asked).mean()) if far.any() else np.nan
        if far.any():
            low, high = exact_interval(round(power * len(judged)), len(judged))
    return Noticing(
        asked,
        tuple(str(last.taxa[g]) for g in nearest),
        power,
        low,
        high,
        float(np.quantile(least, ENOUGH, method="higher")),
        np.exp(size)
        * _landmarks(
            models,
            critical,
            judged,
            mean,
            partners,
            np.arange(len(mean)) if landmarks is None else landmarks,
            rng,
        ),
    )


def _landmarks(
    models: list[KnownTaxa],
    critical: Array,
    judged: NDArray[np.intp],
    mean: Array,
    partners: NDArray[np.intp] | None,
    landmarks: NDArray[np.intp],
    rng: np.random.Generator,
) -> Array:
    """Length of a move of each landmark alone that is noticed in four of five cases."""
    who = np.resize(judged, max(_LANDMARK_MOVES, min(len(judged), 2 * _LANDMARK_MOVES)))
    found = np.empty(len(landmarks))
    for place, k in enumerate(landmarks.tolist()):
        directions = rng.standard_normal((len(who), 3))
        directions /= np.linalg.norm(directions, axis=1, keepdims=True)
        least = _least_moves(models, critical, who, landmark_moves(mean, k, directions, partners))
        found[place] = np.quantile(least, ENOUGH, method="higher")
    return found
