"""From a bone to what lands on a table: side, distortion, the scanner's pose, the hand's error."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from demo_landmarks.bone_model import Points
from demo_landmarks.individuals import (
    ELEMENTS,
    LEFT_OF_BROKEN,
    TEMPLATE,
    Individual,
    draw_bone,
    random_for,
)
from demo_landmarks.jaw_surface import LowerJaw

__all__ = ["Row", "digitise", "place_on_scanner", "replicates_of", "scan"]

DIGITISED_REPEATEDLY = tuple(
    f"{name}-{number:02d}" for name in ("RIDGE", "MARSH", "COAST", "PYGMY") for number in (2, 3)
)
NOISE = {"lower_jaw": 0.03, "atlas": 0.02}  # standard deviation of a coordinate, mm
HABITS_OF_B = {
    # where observer B differs from A, in the bone's own frame, mm
    "lower_jaw": {"gap_low_point": (0.08, 0.0, 0.0), "lower_border_front": (-0.10, 0.0, 0.0)},
    "atlas": {"roof_top": (0.0, 0.0, -0.06)},
}
SHEAR = np.array([[1.0, 0.0, 0.0], [0.03, 1.0, 0.02], [0.0, 0.0, 1.0]])  # points are rows
BROKEN_RING = (-0.35, 2.60)  # what is left of the broken atlas, phi in radians
CURVE_POINTS = (12, 20)


class Row(NamedTuple):
    """One line of a landmark table; NaN coordinates for a missing landmark."""

    replicate: str
    observer: str
    landmark: str
    point: Points


def replicates_of(individual: Individual) -> tuple[tuple[str, str], ...]:
    """Replicate and observer of each digitisation of an individual's bones."""
    if individual.specimen in DIGITISED_REPEATEDLY:
        return (("A1", "A"), ("A2", "A"), ("B1", "B"), ("B2", "B"))
    return (("A1", "A"),)


def place_on_scanner(points: Points, individual: Individual, element: str, seed: int) -> Points:
    """Points of an individual's bone as its scan has them.

    Parameters
    ----------
    points : ndarray, shape (..., 3)
        In the bone's own frame, of a right half where the element has sides.
    individual : Individual
    element : str
    seed : int

    Returns
    -------
    ndarray, shape (..., 3)
        Mirrored for a left half, sheared if distorted, turned and moved at random: the same for
        all points of one bone.
    """
    if element == "lower_jaw" and individual.side == "left":
        points = points * [1, 1, -1]
    if individual.distorted:
        points = points @ SHEAR
    random_state = random_for(seed, "pose", element, individual.specimen)
    turn, upper = np.linalg.qr(random_state.normal(size=(3, 3)))
    turn = turn * np.sign(np.diag(upper))
    if np.linalg.det(turn) < 0:
        turn[:, 0] *= -1
    return points @ turn + random_state.uniform(5, 60, 3)


def digitise(individual: Individual, element: str, seed: int) -> list[Row]:
    """Every digitisation of one bone.

    Parameters
    ----------
    individual : Individual
    element : str
    seed : int

    Returns
    -------
    list of Row
        Landmarks, then the points of the curves, then those of the patch (template only).
    """
    bone = draw_bone(individual, element, seed)
    lost = individual.lost.get(element, ())
    rows = []
    for replicate, observer in replicates_of(individual):
        random_state = random_for(seed, "hand", element, individual.specimen, replicate)
        habits = HABITS_OF_B[element] if observer == "B" else {}
        named: dict[str, Points] = {}
        for name, point in bone.landmarks().items():
            gone = np.nan if name in lost else 0.0
            named[name] = point + habits.get(name, (0.0, 0.0, 0.0)) + gone
        for curve, ends in ELEMENTS[element].CURVE_ENDS.items():
            if set(ends) & set(lost):
                continue  # without its ends a curve is not digitised
            n_points = int(random_state.integers(*CURVE_POINTS, endpoint=True))
            steps = np.cumsum(random_state.uniform(0.4, 1.6, n_points + 1))
            points = bone.curve(curve, steps[:-1] / steps[-1])
            named |= {f"{curve}.{n}": point for n, point in enumerate(points, start=1)}
        names, points = list(named), np.array(list(named.values()))
        points = points + random_state.normal(0, NOISE[element], points.shape)
        if individual.specimen == TEMPLATE and replicate == "A1" and isinstance(bone, LowerJaw):
            patch = bone.patch()  # snapped to the template's scan: no hand in it
            names += [f"outer_face.{n}" for n in range(1, len(patch) + 1)]
            points = np.concatenate([points, patch])
        placed = place_on_scanner(points, individual, element, seed)
        rows += [Row(replicate, observer, *pair) for pair in zip(names, placed, strict=True)]
    return rows


def scan(individual: Individual, element: str, seed: int) -> tuple[Points, NDArray[np.int64]]:
    """The scan of one bone: vertices in mm, shape (n, 3), and faces, shape (m, 3).

    The jaws of all but the template and the queries are scanned at low resolution.
    """
    bone = draw_bone(individual, element, seed)
    if isinstance(bone, LowerJaw):
        fine = individual.role == "query" or individual.specimen == TEMPLATE
        vertices, faces = bone.mesh(coarse=not fine)
    elif _is_broken(individual.lost.get(element, ())):
        whole = bone.landmarks()
        wing = 1.12 * whole["wing_front_left"][0]
        roof = 0.5 * (whole["roof_front"][1] + whole["roof_top"][1])
        vertices, faces = bone.mesh(BROKEN_RING, worn_to=(wing, roof))
    else:
        vertices, faces = bone.mesh()
    if element == "lower_jaw" and individual.side == "left":
        faces = faces[:, ::-1]  # mirroring turns the faces inside out
    return place_on_scanner(vertices, individual, element, seed), faces


def _is_broken(lost: Iterable[str]) -> bool:
    """Whether an atlas has lost all that the broken one has."""
    return len(set(lost)) > len(LEFT_OF_BROKEN)
