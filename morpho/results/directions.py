"""Which way a landmark lies off, and a measurement differs, in the words of the scheme's axes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from morpho.wording import listed, number

__all__ = ["Directions", "larger_words", "lengths_words"]

_FURTHER = {
    "front": "further forward", "fore": "further forward", "back": "further back",
    "hind": "further back", "top": "higher", "upper": "higher", "bottom": "lower",
    "lower": "lower", "left": "further left", "right": "further right", "outer": "further out",
    "inner": "further in",
}  # fmt: skip
# Adjectives of position: 'more dorsal'.
_ADJECTIVES = frozenset(
    ["anterior", "posterior", "dorsal", "ventral", "medial", "lateral", "cranial", "caudal",
     "rostral", "proximal", "distal", "superior", "inferior", "buccal", "lingual", "labial",
     "mesial", "occlusal", "oral", "aboral", "apical", "palmar", "plantar", "radial", "ulnar",
     "tibial", "fibular"]
)  # fmt: skip
# Directions that lead across a bone.
_ACROSS = frozenset(
    ["left", "right", "outer", "inner", "medial", "lateral", "buccal", "lingual", "labial"]
)
# A component shorter than this share of the whole is not told.
_TOLD = 0.4
# A distance whose line runs this near to an axis across the bone is a width.
_ALONG = 0.9


def _first(direction: str) -> str:
    return direction.strip().lower().partition(" ")[0]


def _comparative(towards: str, away: str) -> str:
    """A direction as a comparison: 'higher'; `away` is what lies the other way."""
    if towards:
        word = _first(towards)
        if word in _ADJECTIVES:
            return f"more {word}"
        return _FURTHER.get(word, f"further towards {towards}")
    return f"further from {away}"


@dataclass(frozen=True)
class Directions:
    """What the three axes of a bone point towards."""

    towards: Sequence[str]  # by axis
    away: Sequence[str]  # blank where it has no name; empty where the scheme names no axes
    across: int | None = None  # axis from left to right of a bone made symmetric

    def _along(self, axis: int, positive: bool) -> str:
        if not self.away:
            return f"towards {'+' if positive else '−'}{'xyz'[axis]}"
        ends = self.towards[axis], self.away[axis]
        return _comparative(*(ends if positive else ends[::-1]))

    def words(self, moved: Sequence[float], outward: float = 0.0) -> str:
        """Where a landmark lies off to, the longest way first; blank where it lies off nowhere.

        As in '1.2 mm further forward and 0.7 mm higher'. `outward` is 1 or -1 where this way along
        the axis across leads away from the midline, else 0.
        """
        steps = [float(step) for step in moved]
        whole = sum(step**2 for step in steps) ** 0.5
        if not whole > 0:
            return ""
        parts = []
        for axis in sorted(range(len(steps)), key=lambda i: (-abs(steps[i]), i)):
            if abs(steps[axis]) < _TOLD * whole:
                continue
            way = self._along(axis, steps[axis] > 0)
            if axis == self.across and outward:
                out = steps[axis] * outward > 0
                way = "further out" if out else "further in"
            parts.append(f"{number(abs(steps[axis]))} mm {way}")
        return listed(parts, none="")

    def is_width(self, line: Sequence[float]) -> bool:
        """Whether a line from end to end runs across the bone, so that its length is a width."""
        steps = [abs(float(step)) for step in line]
        whole = sum(step**2 for step in steps) ** 0.5
        along = [i for i, step in enumerate(steps) if whole > 0 and step >= _ALONG * whole]
        if not along:
            return False
        ends = {_first(self.towards[along[0]]), *(_first(a) for a in self.away[along[0] :][:1])}
        return along[0] == self.across or bool(ends & _ACROSS)

    def frame(self, side: str, mirrored: bool, unsure: bool) -> str:
        """What the directions are told in.

        `side` is the one that all bones were brought to, blank where none was; this one may have
        been `mirrored` for that. It is `unsure` where nothing but the scheme's word says which way
        the third axis points.
        """
        if self.away:
            text = "; ".join(
                f"{axis}: {name}" for axis, name in zip("xyz", self.towards, strict=True)
            )
        else:
            text = "x, y, z: principal axes of the mean shape, as the scheme names none"
        if side:
            text += f"; as on a {side} bone" + (
                ", to which this one was mirrored" if mirrored else ""
            )
        if self.across is not None:
            text += "; out and in: away from and towards the midline"
        if side and unsure and self.away:
            text += (
                f"; that z points to the {self.towards[2]} is the scheme's word, and holds for the "
                "side that it was written for"
            )
        return text


def larger_words(kind: str, difference: float, width: bool = False) -> str:
    """Whether a measurement is larger or smaller, in the word for its kind; blank if not known.

    >>> larger_words("distance", -0.4, width=True), larger_words("angle", 3.0)
    ('narrower', 'larger')
    """
    if difference != difference:
        return ""
    if difference == 0:
        return "equal"
    words = {True: ("wider", "narrower"), False: ("longer", "shorter")}[width]
    if kind != "distance":
        words = ("larger", "smaller")
    return words[0 if difference > 0 else 1]


def lengths_words(direction: str, difference: float, percent: float, unit: str) -> str:
    """By how much a measurement is larger or smaller, after a word of `larger_words`.

    `percent` is NaN where that means nothing.

    >>> lengths_words("shorter", -0.42, -6.04, "mm")
    '0.42 mm or 6.04 % shorter'
    >>> lengths_words("larger", 0.1, 12.0, "ratio")
    '12 % larger'
    """
    if direction in ("", "equal"):
        return direction
    by = f"{number(abs(difference))} {unit}"
    share = f"{number(abs(percent))} %"
    if unit == "ratio":
        by = share if percent == percent else number(abs(difference))
    elif percent == percent:
        by += f" or {share}"
    return f"{by} {direction}"
