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
    """Name the other way of a usual anatomical direction; blank where it is none.

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
    """Find the landmark on the other side of each; one on the midline is its own.

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
    """Find the curve between the mirrored ends of one that has as many semilandmarks."""
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
    """A point that is found again on every specimen."""

    name: str
    type: int = 2  # 1 juxtaposition of tissues, 2 maximum of curvature, 3 extremal
    definition: str = ""


@dataclass(frozen=True)
class Curve:
    """A curve between two landmarks; in the tables its points are ``name.1``, ``name.2``, ..."""

    name: str
    start: str  # the landmarks it runs from and to, which the points do not repeat
    end: str
    semilandmarks: int  # how many it is resampled to
    definition: str = ""


@dataclass(frozen=True)
class Patch:
    """A patch of surface, whose points are placed on the template's scan only."""

    name: str
    template: str | None = None  # carries the placed points; None leaves the choice
    definition: str = ""


@dataclass(frozen=True)
class NamedMeasurement:
    """A measurement that the scheme names.

    Two landmarks are a distance, three an angle (at the second), four a ratio (the distance of the
    first two divided by that of the last two).
    """

    name: str
    points: tuple[str, ...]
    definition: str = ""


@dataclass(frozen=True)
class Axis:
    """An anatomical axis; the third's landmarks tell no more than which way it points."""

    towards: str  # anatomical direction that it points to
    start: str | None = None
    end: str | None = None
    away: str = ""  # what lies the other way, where the scheme says so

    @property
    def other_way(self) -> str:
        """What lies the other way: as given, or the usual word; else blank."""
        return self.away or opposite(self.towards)


@dataclass(frozen=True)
class Scheme:
    """What is digitised on an element, in the order of the file."""

    element: str
    landmarks: tuple[Landmark, ...]
    curves: tuple[Curve, ...] = ()
    patches: tuple[Patch, ...] = ()
    symmetry: Literal["none", "matching", "object"] = "none"  # as in its JSON Schema
    pairs: tuple[tuple[str, str], ...] = ()
    midline: tuple[str, ...] = ()
    outline: tuple[tuple[str, str], ...] = ()  # lines to draw
    modules: dict[str, tuple[str, ...]] = field(default_factory=dict, hash=False)  # regions
    axes: dict[str, Axis] = field(default_factory=dict, hash=False)
    description: str = ""
    measurements: tuple[NamedMeasurement, ...] = ()
    standard_length: tuple[str, str] | None = None  # what ratios are taken to

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
        """Find the landmark or curve on the other side; one on the midline is its own."""
        partner = partners(self.pairs, self.midline)
        if name in partner:
            return partner[name]
        for curve in self.curves:
            if curve.name == name:
                return mirror_curve(curve, self.curves, partner)
        return None
