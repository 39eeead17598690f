"""What both invented bones share: coefficients, smooth unevenness, outlines and grids.

A bone is a closed surface steered by a few dozen named coefficients. An individual's coefficient
is ``mean + offset of its taxon + growth * log_size + spread * (correlated normal deviate)``;
on top lies a smooth unevenness that no coefficient describes. Lengths are shares of the bone's
own length or width until the surface is scaled to millimetres.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "Bone",
    "Coefficient",
    "SmoothField",
    "draw_field",
    "draw_values",
    "halve_widest",
    "orient_outwards",
    "pull_to_values",
    "through_knots",
]

Points = NDArray[np.float64]

NEIGHBOUR_CORRELATION = 0.45
"""Correlation of two coefficients that follow each other in a bone's list."""


class Coefficient(NamedTuple):
    """One coefficient of a bone.

    Parameters
    ----------
    mean : float
        Value of an animal of middling size, before its taxon's offset.
    spread : float
        Standard deviation within a taxon at one size.
    growth : float
        Change with each unit of natural-log size, the same in every taxon.
    """

    mean: float
    spread: float
    growth: float = 0.0


class SmoothField(NamedTuple):
    """A smooth random displacement of space: a few long waves.

    Parameters
    ----------
    waves : ndarray, shape (n_waves, 3)
        Half-waves per bone length along each axis.
    phases : ndarray, shape (n_waves,)
    swings : ndarray, shape (n_waves, 3)
        Displacement at each wave's crest, in bone lengths.
    """

    waves: Points
    phases: Points
    swings: Points

    def move(self, points: Points) -> Points:
        """Displace points, shape (..., 3), in bone lengths."""
        crests = np.cos(np.pi * (points @ self.waves.T) + self.phases)
        return points + crests @ self.swings


class Bone(Protocol):
    """What the script asks of a bone, in mm, in the bone's own anatomical frame."""

    def landmarks(self) -> dict[str, Points]:
        """Every landmark by name, shape (3,) each."""

    def curve(self, name: str, along: ArrayLike) -> Points:
        """Points of a curve at positions between 0 (its start) and 1 (its end)."""

    def mesh(self) -> tuple[Points, NDArray[np.int64]]:
        """Vertices and faces of the closed surface, normals outwards."""


def draw_values(
    coefficients: Mapping[str, Coefficient],
    offsets: Mapping[str, float],
    log_size: float,
    random_state: np.random.Generator,
) -> dict[str, float]:
    """Draw one individual's coefficients.

    Parameters
    ----------
    coefficients : mapping of str to Coefficient
        Ordered so that neighbours on the bone follow each other: they vary together.
    offsets : mapping of str to float
        What sets the individual's taxon apart; absent names have no offset.
    log_size : float
        Natural log of the individual's size over the middling size.
    random_state : numpy.random.Generator

    Returns
    -------
    dict of str to float

    Raises
    ------
    KeyError
        When an offset names no coefficient.
    """
    unknown = set(offsets) - set(coefficients)
    if unknown:
        raise KeyError(f"offsets name no coefficient of this bone: {sorted(unknown)}")
    values = {}
    deviate = random_state.normal()
    fresh_share = np.sqrt(1 - NEIGHBOUR_CORRELATION**2)
    for name, coefficient in coefficients.items():
        values[name] = float(
            coefficient.mean
            + offsets.get(name, 0.0)
            + coefficient.growth * log_size
            + coefficient.spread * deviate
        )
        deviate = NEIGHBOUR_CORRELATION * deviate + fresh_share * random_state.normal()
    return values


def draw_field(waves: ArrayLike, swing: float, random_state: np.random.Generator) -> SmoothField:
    """Draw one individual's smooth unevenness.

    Parameters
    ----------
    waves : array_like, shape (n_waves, 3)
        Half-waves per bone length along each axis.
    swing : float
        Standard deviation of a crest's displacement along each axis, in bone lengths.
    random_state : numpy.random.Generator

    Returns
    -------
    SmoothField
    """
    waves = np.asarray(waves, dtype=float)
    return SmoothField(
        waves=waves,
        phases=random_state.uniform(0, 2 * np.pi, len(waves)),
        swings=random_state.normal(0, swing, waves.shape),
    )


def through_knots(at: ArrayLike, knots: ArrayLike, targets: ArrayLike) -> Points:
    """Smooth curve through knots: piecewise cubic, tangents from the neighbouring knots.

    Parameters
    ----------
    at : array_like, shape (...)
        Where to evaluate, within the knots' range.
    knots : array_like, shape (n_knots,)
        Increasing curve parameter of each knot.
    targets : array_like, shape (n_knots, n_dimensions)
        Where the curve is at each knot.

    Returns
    -------
    ndarray, shape (..., n_dimensions)
    """
    at, knots, targets = (np.asarray(given, dtype=float) for given in (at, knots, targets))
    widths = np.diff(knots)[:, None]
    steps = np.diff(targets, axis=0) / widths
    inner = (steps[:-1] * widths[1:] + steps[1:] * widths[:-1]) / (widths[:-1] + widths[1:])
    tangents = np.concatenate([steps[:1], inner, steps[-1:]])
    left = np.clip(np.searchsorted(knots, at, side="right") - 1, 0, len(knots) - 2)
    width = widths[left]
    t = ((at - knots[left]) / widths[left, 0])[..., None]
    return (
        (1 + 2 * t) * (1 - t) ** 2 * targets[left]
        + t * (1 - t) ** 2 * width * tangents[left]
        + t**2 * (3 - 2 * t) * targets[left + 1]
        + t**2 * (t - 1) * width * tangents[left + 1]
    )


def pull_to_values(grid: ArrayLike, wanted: ArrayLike) -> Points:
    """Move the nearest inner grid lines onto wanted values, so that landmarks are vertices.

    Parameters
    ----------
    grid : array_like, shape (n_lines,)
        Increasing; the two ends stay.
    wanted : array_like, shape (n_wanted,)

    Returns
    -------
    ndarray, shape (n_lines,)
        Increasing still.
    """
    pulled = np.array(grid, dtype=float)
    free = np.ones(len(pulled), dtype=bool)
    free[[0, -1]] = False
    for value in np.unique(np.asarray(wanted, dtype=float)):
        if np.isclose(pulled[~free], value).any():
            continue
        nearest = int(np.argmin(np.where(free, np.abs(pulled - value), np.inf)))
        pulled[nearest] = value
        free[nearest] = False
    return np.sort(pulled)


def halve_widest(wanted: ArrayLike, n_lines: int, crowded_at: float, crowd: float) -> Points:
    """Grid lines from 0 to 1 with few to spare: wanted values, then halves of the widest gaps.

    Parameters
    ----------
    wanted : array_like, shape (n_wanted,)
        Between 0 and 1.
    n_lines : int
        How many lines in all.
    crowded_at : float
        Where gaps count as wider than they are.
    crowd : float
        How many times wider, less one.

    Returns
    -------
    ndarray, shape (n_lines,)
        Increasing.
    """
    lines = np.unique([0.0, 1.0, *np.asarray(wanted, dtype=float)])
    while len(lines) < n_lines:
        middles = (lines[1:] + lines[:-1]) / 2
        weight = 1 + crowd * np.exp(-(((middles - crowded_at) / 0.04) ** 2))
        widest = int(np.argmax(np.diff(lines) * weight))
        lines = np.insert(lines, widest + 1, middles[widest])
    return lines


def orient_outwards(vertices: Points, faces: NDArray[np.int64]) -> NDArray[np.int64]:
    """Wind the faces of a closed, consistently wound mesh so that its volume is positive."""
    corners = vertices[faces] - vertices.mean(axis=0)
    volume = np.einsum("ij,ij->", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])) / 6
    return faces if volume > 0 else faces[:, ::-1].copy()
