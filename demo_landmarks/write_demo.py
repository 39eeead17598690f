"""Writing the demo study's files: plain text tables, binary scans, the folder with slips."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from demo_landmarks.bone_model import Points
from demo_landmarks.digitising import Row, digitise, scan
from demo_landmarks.individuals import Individual, draw_bone, random_for, without_plant

__all__ = [
    "write_landmarks",
    "write_scan",
    "write_scans",
    "write_slips",
    "write_specimens",
    "write_table",
    "write_truth",
]

PER_TAXON_WITH_SLIPS = 5
PLANTED_ABOVE = 0.30  # mm: what counts as a planted displacement
SCHEMES = Path(__file__).resolve().parents[1] / "config" / "schemes"

SLIPS_STUDY = """\
# Invented data with planted slips, for the tests: slips.csv holds the truth.
title: The demo study's jaws with planted slips
notice: >-
  Invented data, made by demo_landmarks/make_demo.py. Four slips are planted on purpose.
seed: {seed}
results: ../../results/with_slips

specimens:
  file: specimens.csv

landmarks:
  files: landmarks/{{element}}/*.csv
  units: mm

elements:
  lower_jaw: {{scheme: schemes/lower_jaw.yaml}}
"""


def write_table(path: Path, header: Sequence[str], lines: Iterable[Sequence[str]]) -> None:
    """Write a table as CSV, its folder made if need be."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(header)
        writer.writerows(lines)


def write_specimens(path: Path, individuals: Iterable[Individual]) -> None:
    """Write the specimen table."""
    columns = ("specimen", "taxon", "role", "side", "stage", "sex", "locality")
    write_table(path, columns, ([getattr(i, c) for c in columns] for i in individuals))


def write_landmarks(path: Path, specimen: str, element: str, rows: Iterable[Row]) -> None:
    """Write the landmark table of one bone, every digitisation in it."""
    columns = ("specimen", "element", "replicate", "observer", "landmark", "x", "y", "z")
    lines = (
        [
            specimen,
            element,
            row.replicate,
            row.observer,
            row.landmark,
            *("" if np.isnan(number) else f"{number:.3f}" for number in row.point),
        ]
        for row in rows
    )
    write_table(path, columns, lines)


def write_scan(path: Path, vertices: Points, faces: NDArray[np.int64]) -> None:
    """Write a mesh as binary little-endian PLY.

    Parameters
    ----------
    path : Path
    vertices : ndarray, shape (n_vertices, 3)
        In mm.
    faces : ndarray, shape (n_faces, 3)
    """
    header = (
        "ply\nformat binary_little_endian 1.0\ncomment invented bone, units mm\n"
        f"element vertex {len(vertices)}\n"
        "property float x\nproperty float y\nproperty float z\n"
        f"element face {len(faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    body = np.empty(len(faces), dtype=[("corners", "u1"), ("vertices", "<i4", 3)])
    body["corners"] = 3
    body["vertices"] = faces
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(header.encode() + vertices.astype("<f4").tobytes() + body.tobytes())


def write_truth(path: Path, queries: Iterable[Individual], seed: int) -> None:
    """Write what is true of each query, and where and how far it was planted to differ.

    Parameters
    ----------
    path : Path
    queries : iterable of Individual
    seed : int
    """
    lines = []
    for query in queries:
        for element in query.elements:
            planted = _planted(query, element, seed)
            truth = "outside" if query.planted else "inside"
            if (
                len(query.lost.get(element, ()))
                > len(draw_bone(query, element, seed).landmarks()) / 2
            ):
                truth = "undecided"
            lines.append(
                [
                    query.specimen,
                    element,
                    truth,
                    query.drawn_from,
                    ";".join(planted),
                    ";".join(f"{shift:.2f}" for shift in planted.values()),
                ]
            )
    columns = ("query", "element", "truth", "nearest_taxon", "planted_landmarks", "planted_mm")
    write_table(path, columns, lines)


def write_slips(folder: Path, known: Sequence[Individual], seed: int) -> None:
    """Write a study of some known jaws with four planted slips, and the list of them.

    Parameters
    ----------
    folder : Path
    known : sequence of Individual
    seed : int
    """
    chosen: list[Individual] = []
    for taxon in dict.fromkeys(individual.taxon for individual in known):
        whole = [i for i in known if i.taxon == taxon and "lower_jaw" in i.elements and not i.lost]
        chosen += whole[:PER_TAXON_WITH_SLIPS]
    right = [i.specimen for i in chosen if i.side == "right"]
    left = [i.specimen for i in chosen if i.side == "left"]
    random_state = random_for(seed, "slips")
    wrong_side = str(random_state.choice(left))
    swapped, wrong_unit, displaced = (str(s) for s in random_state.choice(right, 3, replace=False))
    slips = [
        (swapped, "swapped", "angle_tip;angle_low_point"),
        (wrong_unit, "unit", ""),
        (wrong_side, "side", ""),
        (displaced, "displaced", "tooth_row_back"),
    ]
    heading = random_state.normal(size=3)
    shift = 3.0 * heading / np.linalg.norm(heading)
    renamed = {"angle_tip": "angle_low_point", "angle_low_point": "angle_tip"}
    for individual in chosen:
        rows = [row for row in digitise(individual, "lower_jaw", seed) if row.replicate == "A1"]
        if individual.specimen == swapped:
            rows = [row._replace(landmark=renamed.get(row.landmark, row.landmark)) for row in rows]
        elif individual.specimen == wrong_unit:
            rows = [row._replace(point=0.1 * row.point) for row in rows]
        elif individual.specimen == displaced:
            rows = [
                row._replace(point=row.point + shift * (row.landmark == "tooth_row_back"))
                for row in rows
            ]
        path = folder / "landmarks" / "lower_jaw" / f"{individual.specimen}.csv"
        write_landmarks(path, individual.specimen, "lower_jaw", rows)
    told = [replace(i, side="right") if i.specimen == wrong_side else i for i in chosen]
    write_specimens(folder / "specimens.csv", told)
    write_table(folder / "slips.csv", ("specimen", "kind", "landmarks"), slips)
    (folder / "study.yaml").write_text(SLIPS_STUDY.format(seed=seed), encoding="utf-8")
    (folder / "schemes").mkdir(exist_ok=True)
    scheme = (SCHEMES / "lower_jaw.yaml").read_bytes()
    (folder / "schemes" / "lower_jaw.yaml").write_bytes(scheme)


def write_scans(folder: Path, individuals: Iterable[Individual], element: str, seed: int) -> None:
    """Write the scans of one element, one file a specimen."""
    for individual in individuals:
        write_scan(folder / f"{individual.specimen}.ply", *scan(individual, element, seed))


def _planted(query: Individual, element: str, seed: int) -> dict[str, float]:
    """Landmarks planted to differ and how far, in mm, largest first."""
    if not query.planted:
        return {}
    bone = draw_bone(query, element, seed)
    plain = without_plant(bone, element).landmarks()
    shifts = {
        name: float(np.linalg.norm(point - plain[name]))
        for name, point in bone.landmarks().items()
        if name not in query.lost.get(element, ())
    }
    large = {name: shift for name, shift in shifts.items() if shift > PLANTED_ABOVE}
    return dict(sorted(large.items(), key=lambda item: -item[1]))
