"""Who is in the demo study: the invented animals and how each one's bones are drawn."""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import ModuleType

import numpy as np

from demo_landmarks import atlas_surface, jaw_surface
from demo_landmarks.atlas_surface import Atlas
from demo_landmarks.bone_model import draw_field, draw_values
from demo_landmarks.jaw_surface import LowerJaw

__all__ = [
    "ELEMENTS",
    "TEMPLATE",
    "Individual",
    "draw_bone",
    "known_individuals",
    "query_individuals",
    "random_for",
    "without_plant",
]

ELEMENTS: Mapping[str, ModuleType] = {"lower_jaw": jaw_surface, "atlas": atlas_surface}
TEMPLATE = "RIDGE-01"

MIDDLING_LENGTH = {"lower_jaw": 22.0, "atlas": 7.8}  # mm, at log size 0
SWING = {"lower_jaw": 0.0028, "atlas": 0.0038}  # smooth unevenness, in bone lengths
SIDE_SWING = 0.0012  # fluctuating asymmetry of the atlas, in bone lengths

TAXA = {
    # jaw length of an adult in mm, number of specimens, number of juveniles
    "ridge dormouse": (24.0, 14, 5),
    "marsh dormouse": (23.0, 12, 2),
    "coast dormouse": (20.5, 11, 4),
    "pygmy dormouse": (14.8, 10, 4),
}
PLACES = {
    "ridge dormouse": ("Upper Hask Ridge", "Hask Saddle"),
    "marsh dormouse": ("Orrow Fen", "Long Reed Bank"),
    "coast dormouse": ("Tern Cape", "Shingle End"),
    "pygmy dormouse": ("Little Copse", "Bramble Hollow"),
}
CAVE = "Drip Cave, Isle of Venn"
ADULT_SPREAD = 0.04  # standard deviation of log size among adults
JUVENILE_SHARES = (0.71, 0.83)  # of the adult length
NO_ATLAS = ("RIDGE-12", "MARSH-09", "PYGMY-05")
NO_JAW = ("RIDGE-13", "COAST-08")
LOST = {
    ("MARSH-04", "lower_jaw"): ("coronoid_tip",),
    ("PYGMY-06", "lower_jaw"): ("nerve_opening",),
    ("COAST-06", "atlas"): ("roof_top", "skull_joint_top_right"),
}
CAVE_LENGTH = 22.0  # mm
SMALL_SHARE = 0.55  # of an adult marsh dormouse's length
LEFT_OF_BROKEN = (
    "roof_front",
    "roof_back",
    "skull_joint_top_left",
    "skull_joint_bottom_left",
    "axis_joint_left",
    "wing_front_left",
    "wing_back_left",
)


@dataclass(frozen=True)
class Individual:
    """One animal.

    Parameters
    ----------
    specimen : str
    taxon : str
        The taxon it is told to be: empty for a query.
    drawn_from : str
        The taxon its bones are drawn from.
    role : str
        ``known`` or ``query``.
    side : str
        Side of the lower jaw's half, empty without one.
    stage, sex, locality : str
    log_size : float
        Natural log of size over the middling size.
    elements : tuple of str
    lost : mapping of str to tuple of str
        By element: landmarks that are not there.
    planted : bool
        Whether the cave form's offsets are added.
    distorted : bool
        Whether the bones were sheared in the ground.
    """

    specimen: str
    taxon: str
    drawn_from: str
    role: str
    side: str
    stage: str
    sex: str
    locality: str
    log_size: float
    elements: tuple[str, ...]
    lost: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    planted: bool = False
    distorted: bool = False


def random_for(seed: int, *words: str) -> np.random.Generator:
    """Random generator of its own for each purpose, whatever the order of the calls."""
    return np.random.default_rng([seed, *(zlib.crc32(word.encode()) for word in words)])


def known_individuals(seed: int) -> list[Individual]:
    """The specimens of the four known taxa.

    Parameters
    ----------
    seed : int

    Returns
    -------
    list of Individual
        In the order of their names within each taxon.
    """
    individuals = []
    for taxon, (adult_length, n_specimens, n_juveniles) in TAXA.items():
        random_state = random_for(seed, "animals", taxon)
        # the first specimens are adults, so that scans and the template are of grown bones
        juveniles = set(3 + random_state.permutation(n_specimens - 3)[:n_juveniles])
        for number in range(n_specimens):
            specimen = f"{taxon.split()[0].upper()}-{number + 1:02d}"
            log_size = np.log(adult_length / MIDDLING_LENGTH["lower_jaw"])
            log_size += random_state.normal(0, ADULT_SPREAD)
            if number in juveniles:
                log_size += np.log(random_state.uniform(*JUVENILE_SHARES))
            has = {"lower_jaw": specimen not in NO_JAW, "atlas": specimen not in NO_ATLAS}
            side = "left" if random_state.random() < 0.4 else "right"
            individuals.append(
                Individual(
                    specimen=specimen,
                    taxon=taxon,
                    drawn_from=taxon,
                    role="known",
                    side=side if has["lower_jaw"] else "",
                    stage="juvenile" if number in juveniles else "adult",
                    sex=str(random_state.choice(["female", "male"])),
                    locality=str(random_state.choice(PLACES[taxon])),
                    log_size=float(log_size),
                    elements=tuple(element for element in ELEMENTS if has[element]),
                    lost={e: LOST[specimen, e] for e in ELEMENTS if (specimen, e) in LOST},
                )
            )
    return individuals


def query_individuals() -> list[Individual]:
    """The three specimens whose kin are asked for; the truth about them is known.

    Returns
    -------
    list of Individual
        The cave form, the small jaw and the broken atlas.
    """
    middling = MIDDLING_LENGTH["lower_jaw"]
    all_atlas = set(atlas_surface.LANDMARKS)
    return [
        Individual(
            specimen="CAVE-01",
            taxon="",
            drawn_from="coast dormouse",
            role="query",
            side="left",
            stage="adult",
            sex="",
            locality=CAVE,
            log_size=float(np.log(CAVE_LENGTH / middling)),
            elements=("lower_jaw", "atlas"),
            lost={"lower_jaw": ("symphysis_back",)},
            planted=True,
            distorted=True,
        ),
        Individual(
            specimen="SMALL-01",
            taxon="",
            drawn_from="marsh dormouse",
            role="query",
            side="right",
            stage="juvenile",
            sex="",
            locality=CAVE,
            log_size=float(np.log(SMALL_SHARE * TAXA["marsh dormouse"][0] / middling)),
            elements=("lower_jaw",),
        ),
        Individual(
            specimen="BROKEN-01",
            taxon="",
            drawn_from="marsh dormouse",
            role="query",
            side="",
            stage="adult",
            sex="",
            locality=CAVE,
            log_size=float(np.log(TAXA["marsh dormouse"][0] / middling)),
            elements=("atlas",),
            lost={"atlas": tuple(sorted(all_atlas - set(LEFT_OF_BROKEN)))},
        ),
    ]


def draw_bone(individual: Individual, element: str, seed: int) -> LowerJaw | Atlas:
    """One bone of one animal, unmirrored and undistorted.

    Parameters
    ----------
    individual : Individual
    element : str
    seed : int

    Returns
    -------
    LowerJaw or Atlas
    """
    model = ELEMENTS[element]
    random_state = random_for(seed, "bone", element, individual.specimen)
    offsets = dict(model.TAXON_OFFSETS[individual.drawn_from])
    if individual.planted:
        for name, offset in model.CAVE_OFFSETS.items():
            offsets[name] = offsets.get(name, 0.0) + offset
    values = draw_values(model.COEFFICIENTS, offsets, individual.log_size, random_state)
    unevenness = draw_field(model.WAVES, SWING[element], random_state)
    length = MIDDLING_LENGTH[element] * float(np.exp(individual.log_size))
    if element == "lower_jaw":
        return LowerJaw(values, unevenness, length)
    return Atlas(values, unevenness, draw_field(model.WAVES, SIDE_SWING, random_state), length)


def without_plant(bone: LowerJaw | Atlas, element: str) -> LowerJaw | Atlas:
    """The same bone as it would be without the cave form's offsets."""
    offsets = ELEMENTS[element].CAVE_OFFSETS
    values = {name: value - offsets.get(name, 0.0) for name, value in bone.values.items()}
    if isinstance(bone, LowerJaw):
        return LowerJaw(values, bone.field, bone.length)
    return Atlas(values, bone.field, bone.uneven_sides, bone.width)
