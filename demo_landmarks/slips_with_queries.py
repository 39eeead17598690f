"""A study with queries whose known specimens, and one of whose schemes, have planted slips."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import yaml

from demo_landmarks.digitising import Row, digitise
from demo_landmarks.individuals import ELEMENTS, Individual, random_for
from demo_landmarks.write_demo import SCHEMES, write_specimens, write_table

__all__ = ["write_slips_with_queries"]

# Names exchanged in one known specimen of each element.
EXCHANGED = {
    "lower_jaw": ("condyle_back", "angle_tip"),
    "atlas": ("skull_joint_top_left", "skull_joint_bottom_left"),
}
# Pairs whose right landmarks are exchanged in the scheme with crossed pairs.
CROSSED = ("wing_front", "wing_back")

STUDY = """\
# Invented data with planted slips, for the tests: slips.csv holds the slips, and
# ../truth.csv the truth about the queries.
title: The demo study's queries among known specimens with planted slips
notice: >-
  Invented data, made by demo_landmarks/make_demo.py. {slips} on purpose.
seed: {seed}
results: {results}

specimens:
  file: specimens.csv

landmarks:
  files: landmarks/{{element}}.csv
  units: mm

elements:
  lower_jaw: {{scheme: schemes/lower_jaw.yaml}}
  atlas: {{scheme: schemes/{atlas}.yaml}}

preparation:
  distortion: [CAVE-01]

tests:
  permutations: 199

robustness:
  rarefactions: 20
  simulations: 10
"""


def _write_schemes(folder: Path) -> None:
    """The demo's schemes without curves and patches, and the atlas's with crossed pairs."""
    folder.mkdir(parents=True, exist_ok=True)
    for element in ELEMENTS:
        scheme = yaml.safe_load((SCHEMES / f"{element}.yaml").read_text(encoding="utf-8"))
        scheme = {key: part for key, part in scheme.items() if key not in ("curves", "patches")}
        written = {element: scheme}
        if element == "atlas":
            first, second = CROSSED
            other = {f"{first}_right": f"{second}_right", f"{second}_right": f"{first}_right"}
            pairs = [[left, other.get(right, right)] for left, right in scheme["pairs"]]
            written["atlas_crossed"] = scheme | {"pairs": pairs}
        for name, content in written.items():
            text = yaml.safe_dump(content, sort_keys=False, width=99)
            (folder / f"{name}.yaml").write_text(text, encoding="utf-8")


def _slip(rows: list[Row], names: tuple[str, str]) -> list[Row]:
    other = dict([names, names[::-1]])
    return [row._replace(landmark=other.get(row.landmark, row.landmark)) for row in rows]


def write_slips_with_queries(folder: Path, everyone: Sequence[Individual], seed: int) -> None:
    """Write landmarks alone of all bones, each digitised once, with slips in known specimens.

    One jaw is of the wrong side, one jaw and one atlas have two landmarks exchanged.
    ``crossed_pairs.yaml`` is the same study with a scheme of the atlas in which two pairs are
    crossed.

    Parameters
    ----------
    folder : Path
    everyone : sequence of Individual
        Known specimens and queries.
    seed : int
    """
    random_state = random_for(seed, "slips with queries")
    told, slips = list(everyone), []
    swapped: dict[str, str] = {}
    for element, names in EXCHANGED.items():
        whole = [
            i.specimen
            for i in everyone
            if i.role == "known" and element in i.elements and not i.lost
        ]
        chosen = [str(name) for name in random_state.choice(whole, 2, replace=False)]
        swapped[element] = chosen[0]
        slips.append((element, chosen[0], "swapped", ";".join(names)))
        if element == "lower_jaw":
            other = {"left": "right", "right": "left"}
            told = [replace(i, side=other[i.side]) if i.specimen == chosen[1] else i for i in told]
            slips.append((element, chosen[1], "side", ""))
    first, second = CROSSED
    slips.append(
        ("atlas", "", "crossed", f"{first}_left;{first}_right;{second}_left;{second}_right")
    )
    for element in ELEMENTS:
        lines = []
        for individual in everyone:
            if element not in individual.elements:
                continue
            rows = digitise(individual, element, seed)
            rows = [row for row in rows if row.replicate == "A1" and "." not in row.landmark]
            if individual.specimen == swapped[element]:
                rows = _slip(rows, EXCHANGED[element])
            lines += [
                [individual.specimen, row.landmark]
                + ["" if np.isnan(number) else f"{number:.3f}" for number in row.point]
                for row in rows
            ]
        columns = ("specimen", "landmark", "x", "y", "z")
        write_table(folder / "landmarks" / f"{element}.csv", columns, lines)
    write_specimens(folder / "specimens.csv", told)
    write_table(folder / "slips.csv", ("element", "specimen", "kind", "landmarks"), slips)
    _write_schemes(folder / "schemes")
    for name, atlas, planted in (
        ("study", "atlas", "Three slips are planted"),
        ("crossed_pairs", "atlas_crossed", "Three slips and crossed pairs are planted"),
    ):
        results = "results" + ("" if name == "study" else f"_{name}")
        text = STUDY.format(slips=planted, seed=seed, results=results, atlas=atlas)
        (folder / f"{name}.yaml").write_text(text, encoding="utf-8")
