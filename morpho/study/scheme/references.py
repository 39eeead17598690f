"""Checks of a scheme that its JSON Schema cannot make: names that point at one another."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from morpho.study.reading.problems import Problems
from morpho.study.reading.wording import meant, nearest, quoted
from morpho.study.reading.yaml_file import Document, KeyPath
from morpho.study.scheme.parts import Curve, mirror_curve, partners

__all__ = ["check_references"]


def _span(points: list[str]) -> frozenset[Any] | tuple[Any, ...]:
    """Reduce landmarks of a measurement to what it measures, whichever way it is written."""
    if len(points) == 2:
        return frozenset(points)
    if len(points) == 3:
        return points[1], frozenset((points[0], points[2]))
    return "ratio", frozenset(points[:2]), frozenset(points[2:])


class _Check:
    def __init__(
        self, document: Document, element: str, bad: set[KeyPath], problems: Problems
    ) -> None:
        self.document = document
        self.problems = problems.at(file=document.file, element=element)
        self.bad = {path[:length] for path in bad for length in range(len(path) + 1)}
        self.whole = {path for path in bad if len(path) <= 1}
        self.data: dict[str, Any] = document.data if isinstance(document.data, dict) else {}
        self.names: list[str] = []

    def entries(self, key: str) -> Iterator[tuple[KeyPath, Any]]:
        """Go over the entries of a list or block, leaving out those the schema refused."""
        part = self.data.get(key)
        if (key,) in self.whole or not isinstance(part, (list, dict)):
            return
        items = enumerate(part) if isinstance(part, list) else part.items()
        for place, item in items:
            if (key, place) not in self.bad:
                yield (key, place), item

    def tell(self, path: KeyPath, found: str, remedy: str, landmark: str | None = None) -> None:
        self.problems.error(found, remedy, line=self.document.line(*path), landmark=landmark)

    def known(self, path: KeyPath, name: str, what: str) -> bool:
        if name in self.names:
            return True
        hint = meant(nearest(name, self.names)) or "Correct it, or add it to landmarks."
        self.tell(path, f"{what} names {quoted(name)}, which is no landmark of this scheme.", hint)
        return False

    def run(self) -> None:
        self._names()
        if not self.names or any(path[0] == "landmarks" for path in self.bad if path):
            return  # the names cannot be held against a broken list
        self._curves()
        self._symmetry()
        self._lists()
        self._measurements()
        self._axes()

    def _names(self) -> None:
        lines: dict[str, int | None] = {}
        for key in ("landmarks", "curves", "patches", "measurements"):
            for path, item in self.entries(key):
                name = item["name"]
                if name in lines:
                    self.tell(
                        path,
                        f"The name {quoted(name)} stands twice; it is in line {lines[name]} "
                        "already.",
                        "Give each landmark, curve, patch and measurement a name of its own.",
                    )
                else:
                    lines[name] = self.document.line(*path)
                    if key == "landmarks":
                        self.names.append(name)

    def _curves(self) -> None:
        for path, item in self.entries("curves"):
            what = f"The curve {item['name']}"
            for end in ("from", "to"):
                self.known((*path, end), item[end], what)
            if item["from"] == item["to"]:
                self.tell(
                    path,
                    f"{what} runs from {item['from']} to the same landmark.",
                    "A curve runs between two landmarks; divide a closed one at another landmark.",
                )

    def _symmetry(self) -> None:
        symmetry = self.data.get("symmetry", "none")
        if ("symmetry",) in self.bad:
            return
        if symmetry != "object":
            for key in ("pairs", "midline"):
                if self.data.get(key):
                    self.tell(
                        (key,),
                        f"There are {key} but symmetry is {symmetry}.",
                        f"Write symmetry: object if one bone has a plane of symmetry, or delete "
                        f"{key}.",
                    )
            return
        side: dict[str, KeyPath] = {}
        for path, item in self.entries("midline"):
            if self.known(path, item, "midline"):
                self._once(item, path, side)
        for path, (left, right) in self.entries("pairs"):
            found = [self.known(path, name, "A pair") for name in (left, right)]
            if left == right:
                self.tell(path, f"{left} is paired with itself.", "Put it into midline instead.")
            elif all(found):
                self._once(left, path, side)
                self._once(right, path, side)
        if not any(self.data.get(key) for key in ("pairs", "midline")):
            self.tell(
                ("symmetry",),
                "symmetry is object, but there are neither pairs nor midline.",
                "List the left-right pairs and the landmarks on the midline.",
            )
            return
        if not self.data.get("pairs"):
            self.tell(
                ("symmetry",),
                "symmetry is object, but there are no pairs.",
                "List the left-right pairs: without them there is no plane of symmetry.",
            )
            return
        if ("pairs",) in self.bad or ("midline",) in self.bad:
            return
        for name in self.names:
            if name not in side:
                self.tell(
                    ("symmetry",),
                    f"{name} is neither in a pair nor on the midline.",
                    "Put it into pairs with its partner, or into midline.",
                    landmark=name,
                )
        self._mirrored_curves()

    def _once(self, name: str, path: KeyPath, side: dict[str, KeyPath]) -> None:
        if name not in side:
            side[name] = path
            return
        first = side[name]
        line = self.document.line(*first)
        if first == path:
            return
        if first[0] == "midline" and path[0] == "pairs":
            found = f"{name} is in a pair and on the midline (line {line})."
        elif first[0] == "midline":
            found = f"{name} stands twice in midline (line {line})."
        else:
            found = f"{name} is in two pairs; the other is in line {line}."
        self.tell(path, found, "Keep one of the two.", landmark=name)

    def _mirrored_curves(self) -> None:
        if any(path[0] == "curves" for path in self.bad if path):
            return
        partner = partners(self.data.get("pairs") or (), self.data.get("midline") or ())
        places = dict(self.entries("curves"))
        curves = [
            Curve(item["name"], item["from"], item["to"], item["semilandmarks"])
            for item in places.values()
        ]
        for path, curve in zip(places, curves, strict=True):
            if curve.start not in partner or curve.end not in partner:
                continue
            if mirror_curve(curve, curves, partner) is None:
                self.tell(
                    path,
                    f"The curve {curve.name} has no mirror image: none runs between "
                    f"{partner[curve.start]} and {partner[curve.end]} with "
                    f"{curve.semilandmarks} semilandmarks.",
                    "Add the curve of the other side with as many semilandmarks.",
                )

    def _lists(self) -> None:
        for path, (first, second) in self.entries("outline"):
            for name in (first, second):
                self.known(path, name, "A line")
            if first == second:
                self.tell(path, f"A line runs from {first} to itself.", "Delete or correct it.")
        for path, names in self.entries("modules"):
            for place, name in enumerate(names):
                self.known((*path, place), name, f"The module {path[1]}")
                if name in names[:place]:
                    self.tell(
                        (*path, place),
                        f"The module {path[1]} names {name} twice.",
                        "Keep one of the two.",
                    )

    def _measurements(self) -> None:
        by_look: dict[str, str] = {}
        by_points: dict[frozenset[Any] | tuple[Any, ...], str] = {}
        for path, item in self.entries("measurements"):
            name, points = item["name"], item["points"]
            what = f"The measurement {name}"
            other = by_look.setdefault(name.casefold(), name)
            if other != name:
                self.tell(
                    path,
                    f"The measurements {other} and {name} differ only in capitals.",
                    "Rename one, so that they are not mixed up.",
                )
            for place, point in enumerate(points):
                self.known((*path, "points", place), point, what)
            if not self._spanned((*path, "points"), points, what):
                continue
            same = by_points.setdefault(_span(points), name)
            if same != name:
                self.tell(
                    path,
                    f"{what} is the same as {same}, between the same landmarks.",
                    "Keep one of the two.",
                )
        standard = dict(self.entries("standard_length"))
        for path, name in standard.items():
            self.known(path, name, "standard_length")
        if len(standard) == 2 and len(set(standard.values())) == 1:
            self.tell(
                ("standard_length",),
                f"standard_length runs from {next(iter(standard.values()))} to the same landmark.",
                "Name two different landmarks.",
            )

    def _spanned(self, path: KeyPath, points: list[str], what: str) -> bool:
        """Tell where nothing lies between the landmarks of a measurement."""
        if len(points) == 3:
            twice = [name for name in points if points.count(name) > 1]
            if twice:
                self.tell(
                    path,
                    f"{what} is an angle that names {twice[0]} more than once.",
                    "Name three different landmarks; the angle is the one at the second.",
                )
            return not twice
        ratio = len(points) == 4
        whose = (", a ratio, has a distance that", ", a ratio, is taken to a distance that")
        spanned = True
        for i, part in enumerate((points[:2], points[2:]) if ratio else (points,)):
            if part[0] == part[1]:
                self.tell(
                    path,
                    f"{what}{whose[i] if ratio else ''} runs from {part[0]} to the same landmark.",
                    "Name two different landmarks" + (" for each distance." if ratio else "."),
                )
                spanned = False
        if ratio and spanned and set(points[:2]) == set(points[2:]):
            self.tell(
                path,
                f"{what} divides a distance by itself, which is always 1.",
                "Name another distance as the first or the last two landmarks.",
            )
            spanned = False
        return spanned

    def _axes(self) -> None:
        for path, axis in self.entries("axes"):
            what = f"The axis {path[1]}"
            given = [end for end in ("from", "to") if end in axis]
            if len(given) < 2:
                if given:
                    self.tell(
                        path,
                        f"{what} has a landmark {given[0]}, but none "
                        f"{'to' if given == ['from'] else 'from'}.",
                        "Give both, or neither.",
                    )
                continue
            for end in ("from", "to"):
                self.known((*path, end), axis[end], what)
            if axis["from"] == axis["to"]:
                self.tell(
                    path,
                    f"{what} runs from {axis['from']} to the same landmark.",
                    "Name two different landmarks.",
                )


def check_references(
    document: Document, element: str, bad: set[KeyPath], problems: Problems
) -> None:
    """Check the names in a scheme against one another, but for what the JSON Schema refused."""
    _Check(document, element, bad, problems).run()
