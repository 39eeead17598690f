"""What a scheme is made of: landmarks, curves, patches, measurements, and what mirrors what."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal

__all__ = [
    "Axis", "Curve", "Landmark", "NamedMeasurement", "Patch", "Scheme", "mirror_curve",
    "opposite", "partners",
]  # fmt: skip

_OPPOSITES = [
    ("front", "back"), ("top", "bottom"), ("left", "right"), ("outer", "inner"),
    ("upper", "lower"), ("fore", "hind"), ("anterior", "posterior"), ("dorsal", "ventral"),
    ("medial", "lateral"), ("cranial", "caudal"), ("rostral", "caudal"), ("proximal", "distal"),
    ("superior", "inferior"), ("buccal", "lingual"), ("labial", "lingual"), ("mesial", "distal"),
    ("oral", "aboral"),
]  # fmt: skip


def opposite(direction: str) -> str:
    """Name the other way, of a usual anatomical direction.

    Parameters
    ----------
    direction : str
        As `front`, `left side` or `outer face`.

    Returns
    -------
    str
        Blank where the direction is none of the usual ones.

    Examples
    --------
    >>> opposite("left side"), opposite("Lateral"), opposite("where the river runs")
    ('right side', 'medial', '')
    """
    first, space, rest = direction.strip().partition(" ")
    pairs = dict(_OPPOSITES) | {b: a for a, b in reversed(_OPPOSITES) if b not in dict(_OPPOSITES)}
    other = pairs.get(first.lower(), "")
    return f"{other}{space}{rest}" if other and rest in ("", "side", "end", "face", "edge") else ""


def partners(pairs: Iterable[Iterable[str]], midline: Iterable[str]) -> dict[str, str]:
    """Find the landmark on the other side of each.

    Parameters
    ----------
    pairs : iterable of (str, str)
        Left and right landmarks.
    midline : iterable of str
        Landmarks on the plane of symmetry.

    Returns
    -------
    dict of str
        The partner by name; a landmark on the midline is its own.

    Examples
    --------
    >>> partners([("wing_left", "wing_right")], ["roof"])
    {'roof': 'roof', 'wing_left': 'wing_right', 'wing_right': 'wing_left'}
    """
    partner = {name: name for name in midline}
    for left, right in pairs:
        partner[left], partner[right] = right, left
    return partner


def mirror_curve(curve: Curve, curves: Iterable[Curve], partner: dict[str, str]) -> str | None:
    """Find the curve on the other side of one.

    Parameters
    ----------
    curve : Curve
    curves : iterable of Curve
        All curves of the scheme.
    partner : dict of str
        The landmark on the other side of each, from `partners`.

    Returns
    -------
    str or None
        Name of the curve between the mirrored ends with as many semilandmarks; the curve itself
        if it is its own mirror image; None where there is none.
    """
    ends = {partner.get(curve.start), partner.get(curve.end)}
    fitting = [
        other.name
        for other in curves
        if {other.start, other.end} == ends and other.semilandmarks == curve.semilandmarks
    ]
    others = [name for name in fitting if name != curve.name]
    on_itself = ends == {curve.start, curve.end}
    if on_itself and curve.name in fitting and not others:
        return curve.name
    return others[0] if others else (fitting[0] if fitting else None)


@dataclass(frozen=True)
class Landmark:
    """A point that is found again on every specimen.

    Attributes
    ----------
    name : str
        Its name in the tables.
    type : int
        1 juxtaposition of tissues, 2 maximum of curvature, 3 extremal or constructed point.
    definition : str
        Anatomical definition in one line.
    """

    name: str
    type: int = 2
    definition: str = ""


@dataclass(frozen=True)
class Curve:
    """A curve between two landmarks; in the tables its points are ``name.1``, ``name.2``, ...

    Attributes
    ----------
    name : str
    start, end : str
        The landmarks it runs from and to (``from`` and ``to`` in the file); the points do not
        repeat them.
    semilandmarks : int
        How many semilandmarks it is resampled to.
    definition : str
        Its course in one line.
    """

    name: str
    start: str
    end: str
    semilandmarks: int
    definition: str = ""


@dataclass(frozen=True)
class Patch:
    """A patch of surface, whose points are placed on the template's scan only.

    Attributes
    ----------
    name : str
    template : str or None
        The specimen that carries the placed points; None leaves the choice.
    definition : str
        Its bounds in one line.
    """

    name: str
    template: str | None = None
    definition: str = ""


@dataclass(frozen=True)
class NamedMeasurement:
    """A distance, an angle or a ratio between landmarks that the scheme names.

    Attributes
    ----------
    name : str
        Its name in the results.
    points : tuple of str
        Names of landmarks. Two: their distance. Three: the angle at the second. Four: the
        distance of the first two divided by that of the last two.
    definition : str
        Anatomical definition in one line.
    """

    name: str
    points: tuple[str, ...]
    definition: str = ""


@dataclass(frozen=True)
class Axis:
    """An anatomical axis.

    Attributes
    ----------
    towards : str
        Anatomical direction that it points to.
    start, end : str or None
        The landmarks it runs from and to; those of the third axis, which follows from the others,
        tell no more than which way it points, and may be None.
    away : str
        What lies the other way; blank where nobody says so, see `other_way`.
    """

    towards: str
    start: str | None = None
    end: str | None = None
    away: str = ""

    @property
    def other_way(self) -> str:
        """What lies the other way: as given, or the usual word; else blank."""
        return self.away or opposite(self.towards)


@dataclass(frozen=True)
class Scheme:
    """What is digitised on an element.

    Attributes
    ----------
    element : str
    landmarks : tuple of Landmark
        In the order of the file, which is their order everywhere.
    curves : tuple of Curve
    patches : tuple of Patch
    symmetry : {"none", "matching", "object"}
        matching: the element exists as left and right; object: one element with a plane of
        symmetry.
    pairs : tuple of (str, str)
        Left and right landmarks; only with object symmetry.
    midline : tuple of str
        Landmarks on the plane of symmetry; only with object symmetry.
    links : tuple of (str, str)
        Lines to draw.
    modules : dict
        Names of landmarks by name of region.
    axes : dict
        `Axis` by ``x``, ``y``, ``z``; empty where the scheme gives none.
    description : str
        One line about the element.
    measurements : tuple of NamedMeasurement
        Measurements of the author's own, in the order of the file.
    standard_length : tuple of (str, str) or None
        The landmarks of the length that ratios are taken to; None where the scheme gives none.
    """

    element: str
    landmarks: tuple[Landmark, ...]
    curves: tuple[Curve, ...] = ()
    patches: tuple[Patch, ...] = ()
    symmetry: Literal["none", "matching", "object"] = "none"
    pairs: tuple[tuple[str, str], ...] = ()
    midline: tuple[str, ...] = ()
    links: tuple[tuple[str, str], ...] = ()
    modules: dict[str, tuple[str, ...]] = field(default_factory=dict, hash=False)
    axes: dict[str, Axis] = field(default_factory=dict, hash=False)
    description: str = ""
    measurements: tuple[NamedMeasurement, ...] = ()
    standard_length: tuple[str, str] | None = None

    @property
    def landmark_names(self) -> tuple[str, ...]:
        """Names of the landmarks, in order."""
        return tuple(landmark.name for landmark in self.landmarks)

    @property
    def curve_names(self) -> tuple[str, ...]:
        """Names of the curves, in order."""
        return tuple(curve.name for curve in self.curves)

    @property
    def patch_names(self) -> tuple[str, ...]:
        """Names of the patches, in order."""
        return tuple(patch.name for patch in self.patches)

    def mirror_of(self, name: str) -> str | None:
        """Find the landmark or curve on the other side.

        Returns
        -------
        str or None
            Its partner; itself on the midline; None where the scheme has no plane of symmetry
            or the name no partner.
        """
        partner = partners(self.pairs, self.midline)
        if name in partner:
            return partner[name]
        for curve in self.curves:
            if curve.name == name:
                return mirror_curve(curve, self.curves, partner)
        return None
