"""A tiny valid study that tests break in one place at a time."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from morpho.study.check import check_study
from morpho.study.reading.problems import Problems

STUDY = """\
title: A tiny study
specimens:
  file: specimens.csv
landmarks:
  files: landmarks/{element}/*.csv
elements:
  jaw: {scheme: schemes/jaw.yaml}
  ring: {scheme: schemes/ring.yaml}
"""
JAW = """\
symmetry: matching
landmarks:
  - {name: tip}
  - {name: notch}
  - {name: heel}
  - {name: knob}
  - {name: hole}
curves:
  - {name: border, from: tip, to: heel, semilandmarks: 3}
outline:
  - [tip, notch]
modules:
  front: [tip, notch]
axes:
  x: {towards: front, from: heel, to: tip}
  y: {towards: top, from: hole, to: knob}
  z: {towards: outer side}
"""
RING = """\
symmetry: object
landmarks:
  - {name: roof}
  - {name: wing_left}
  - {name: wing_right}
  - {name: foot_left}
  - {name: foot_right}
pairs:
  - [wing_left, wing_right]
  - [foot_left, foot_right]
midline: [roof]
"""
TAXA = {"A": "marsh dormouse", "B": "ridge dormouse"}
HEADER = "specimen,element,replicate,landmark,x,y,z"
JAW_POINTS = {
    "tip": (0, 0, 0.5),
    "notch": (3, 4, 1),
    "heel": (10, 0, 2),
    "knob": (8, 6, -1),
    "hole": (5, 2, 3),
    "border.1": (3, -1, 1),
    "border.2": (6, -1.5, 1.5),
}
RING_POINTS = {
    "roof": (0, 5, 0),
    "wing_left": (6, 2, 1),
    "wing_right": (-6, 2, 1),
    "foot_left": (3, -4, -1),
    "foot_right": (-3, -4, -1.5),
}
POINTS = {"jaw": JAW_POINTS, "ring": RING_POINTS}


class Tiny:
    """The study's folder, with ways to break it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.names = [f"{letter}-{n}" for letter in TAXA for n in range(1, 5)] + ["Q-1"]
        self.write("study.yaml", STUDY)
        self.write("schemes/jaw.yaml", JAW)
        self.write("schemes/ring.yaml", RING)
        rows = [f"{n},{TAXA.get(n[0], '')},{'query' if n == 'Q-1' else 'known'},left,adult"
                for n in self.names]  # fmt: skip
        self.write("specimens.csv", "\n".join(["specimen,taxon,role,side,stage", *rows]) + "\n")
        for i, name in enumerate(self.names):
            for element in POINTS:
                self.write(f"landmarks/{element}/{name}.csv", self.table(name, element, seed=i))

    @property
    def path(self) -> Path:
        return self.folder / "study.yaml"

    def write(self, name: str, text: str | bytes) -> Path:
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        return path

    def read(self, name: str) -> str:
        return (self.folder / name).read_text(encoding="utf-8")

    def edit(self, name: str, old: str, new: str) -> None:
        text = self.read(name)
        assert old in text, f"{old!r} is not in {name}"
        self.write(name, text.replace(old, new, 1))

    def rows(
        self, name: str, element: str, seed: int = 0, replicate: str = "", scale: float = 1
    ) -> list[str]:
        random = np.random.default_rng([seed, len(element)])
        rows = []
        for landmark, place in POINTS[element].items():
            x, y, z = scale * (np.array(place) + random.normal(0, 0.05, 3))
            rows.append(f"{name},{element},{replicate},{landmark},{x:.4f},{y:.4f},{z:.4f}")
        return rows

    def table(self, name: str, element: str, **options: object) -> str:
        return "\n".join([HEADER, *self.rows(name, element, **options)]) + "\n"

    def check(self) -> Problems:
        return check_study(self.folder)[1]

    def told(self) -> str:
        """Everything that the check says."""
        return self.check().render()

    def errors(self) -> list[str]:
        """Each error as ``file:line specimen landmark: found | remedy``."""
        problems = self.check()
        return [
            f"{problems.shown_path(p.file)}:{p.line} {p.specimen} {p.landmark}: "
            f"{p.found} | {p.remedy}"
            for p in problems.errors
        ]


@pytest.fixture
def tiny(tmp_path: Path) -> Tiny:
    """A valid study: 2 elements of 5 landmarks, 2 taxa of 4 specimens, 1 query."""
    return Tiny(tmp_path / "tiny")
