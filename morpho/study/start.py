"""A study to start from: a folder with every file that is needed, explained inside."""

from __future__ import annotations

import os
from pathlib import Path

from morpho.study.reading.problems import Problem, Problems, StudyError
from morpho.study.reading.wording import listed, quoted

__all__ = ["start_study"]

STUDY = """\
# The study. Lines that begin with # are comments: those with a key show its
# default, and count only once the # is deleted. Paths are relative to this file.
# Check the study at any time with:  formkin check THIS_FOLDER

# Title of the study, shown on the report.
title: My study
# A sentence shown in a box at the top of the report.
# notice: ""
# Seed of every random draw: the same inputs and seed give the same tables.
# seed: 1
# Folder the workflow writes to.
# results: results

# The specimen table: one row a specimen.
specimens:
  file: specimens.csv
  # Character between cells: auto finds it in the header; or ",", ";", "\\t".
  # delimiter: auto
  # If your table has other column names, write them here: ours first, then yours.
  # columns:
  #   specimen: specimen   # name of the specimen; must be unique
  #   taxon: taxon         # taxon of a known specimen; may be blank for a query
  #   role: role           # known (its taxon is sure) or query (to be placed)
  #   side: side           # left, right, or blank
  #   stage: stage         # growth stage, in your own words
  # Columns that never reach the results. Columns whose name tells a place, such
  # as locality or latitude, are kept back without being listed.
  # private: []

# The landmark tables: one row a landmark of one digitisation.
landmarks:
  # One path or a list. * stands for anything within a name; {element},
  # {specimen} and {replicate} stand for values that come from the path. With
  # several bones, landmarks/{element}/*.csv lets a new table set only its own bone
  # to work again.
  files: landmarks/*.csv
  # delimiter: auto
  # Decimal mark of the coordinates: "." or ",".
  # decimal: "."
  # Unit of the coordinates: um, mm, cm, m or inch. All is turned to mm.
  # units: mm
  # Your names for our columns, as above.
  # columns:
  #   specimen: specimen   # as in the specimen table
  #   element: element     # may be left out in a study of one element
  #   replicate: replicate # label of the digitisation; blank if there is only one
  #   observer: observer   # who digitised; optional
  #   landmark: landmark   # name in the scheme; points of a curve are edge.1, edge.2
  #   x: x
  #   y: y
  #   z: z

# The scans: optional. PLY, STL, OBJ or GLB.
# scans:
#   files: scans/{element}/{specimen}.ply
#   units: mm
#   # Scans in another unit than the rest: the element, then specimens and their
#   # units, as in  bone: {NAME-01: cm, NAME-02: um}
#   units_of: {}

# The elements (bones), each with its scheme.
elements:
  bone:
    scheme: schemes/bone.yaml

# How digitisations become configurations that can be compared.
# preparation:
#   # Side that matching elements are brought to: commoner, left or right.
#   mirror_to: commoner
#   missing:
#     # A specimen with a smaller share of its landmarks is set aside.
#     smallest_share: 0.75
#     # A known specimen with a missing landmark: estimate the landmark, set_aside
#     # the specimen, or use only the landmarks that all share (shared).
#     known: estimate
#     # The same for a query.
#     query: estimate
#     # How a landmark is estimated whose mirror image is missing too: regression on
#     # the landmarks that are there, or a spline from the nearest complete specimens.
#     method: regression
#     # Draws of each estimated landmark, from the spread of its estimate, that are
#     # carried into the verdict; 0 for the estimate alone.
#     imputations: 20
#   # Semilandmarks of the scheme's curves and patches, and how they are slid.
#   semilandmarks:
#     # Whether the curves take part, and the patches, which need scans.
#     curves: true
#     patches: true
#     # What sliding makes least: bending_energy of the change from the mean, or the
#     # procrustes distance to it.
#     criterion: bending_energy
#     # Never more passes of sliding than this, even if it has not converged.
#     passes: 20
#   # What is analysed of an element with a plane of symmetry: its symmetric part
#   # (symmetric), or the bone as it is (as_is).
#   symmetry: symmetric
#   # Specimens squashed or sheared in the ground, whose distortion is removed by
#   # making them symmetric; only for an element with a plane of symmetry.
#   distortion: []

# How many axes of shape space the multivariate tests use.
# shape_space:
#   # Rule: share (of variance), parallel (parallel analysis), or broken_stick; never
#   # more than a third of the degrees of freedom within taxa.
#   axes: share
#   # Share of variance to reach, for the rule share.
#   share: 0.9
#   # Never more axes than this.
#   most: 10

# The linear model of shape.
# model:
#   # Terms in the order they are tested: size (log centroid size), taxon, or any
#   # column of the specimen table; [size, taxon] within the list is an interaction.
#   terms: [size, taxon]

# The statistical tests.
# tests:
#   # Permutations of each test; 0 gives no p-values.
#   permutations: 9999
#   # Level of the tests.
#   alpha: 0.05
#   # A taxon with fewer specimens takes no part in tests between taxa, and no
#   # verdict of inside rests on it.
#   smallest_taxon: 4
#   # Covariance of the discriminant analysis: pooled, or shrunken.
#   covariance: pooled
#   # Folds of the cross-validation: leave_one_out, or a number.
#   folds: leave_one_out

# How hard the verdict is tried.
# robustness:
#   # A verdict that holds in a smaller share of the settings of any one kind of choice
#   # (axes, a landmark or a specimen left out, ...) is undecided.
#   smallest_share: 0.8
#   # Times that each query is drawn as if it were digitised again; needs replicates.
#   error_draws: 50
#   # Subsamples of each number of specimens, for curves of error against sample size.
#   rarefactions: 200
#   # Simulations of each number of specimens added to the nearest taxon.
#   simulations: 40

# What sets each query apart.
# differences:
#   # Taxa that each query's differences are told from: the nearest one, or all.
#   against: nearest

# Choices for the figures.
# figures:
#   # Drawn around the specimens of a taxon: hulls or ellipses.
#   outlines: hulls
#   # Factor by which drawn shape changes are exaggerated.
#   magnify: 1
#   # How many of the ranked measurements are drawn.
#   measurements: 12

# What goes with the report.
# report:
#   # Whether scans go into the archive for a data repository.
#   scans_in_archive: false
"""

SCHEME = """\
# What is digitised on the element. Replace these landmarks by your own: they are
# named by position, to show how a scheme is written. Names have letters, digits
# and underscores; the tables use the very same names.
description: A long bone, as an example.

# none; matching (the element exists as left and right: fill in the column side of
# the specimen table); or object (one bone with a plane of symmetry).
symmetry: none

# type: 1 where tissues meet, 2 maximum of curvature, 3 extremal or constructed.
landmarks:
  - {name: near_end_front, type: 2, definition: "Front edge of the near end"}
  - {name: near_end_back, type: 2, definition: "Hind edge of the near end"}
  - {name: shaft_middle, type: 3, definition: "Outermost point halfway along the shaft"}
  - {name: far_end_front, type: 2, definition: "Front edge of the far end"}
  - {name: far_end_back, type: 2, definition: "Hind edge of the far end"}

# Curves between two landmarks. In the tables their points are front_edge.1,
# front_edge.2 and so on, as many as you like, without the two landmarks;
# semilandmarks is the number they are resampled to.
# curves:
#   - name: front_edge
#     from: near_end_front
#     to: far_end_front
#     semilandmarks: 6
#     definition: Front edge of the shaft

# Patches of surface: points on one specimen's scan, carried to the other scans.
# patches:
#   - {name: outer_face, template: NAME_OF_A_SPECIMEN, definition: "Outer face of the shaft"}

# Only with symmetry: object.
# pairs:
#   - [left_name, right_name]
# midline: [front_name, back_name]

# Lines to draw between landmarks.
links:
  - [near_end_front, near_end_back]
  - [near_end_front, far_end_front]
  - [near_end_back, far_end_back]
  - [far_end_front, far_end_back]

# Regions of the element.
# modules:
#   near_end: [near_end_front, near_end_back]

# Measurements of your own. Two landmarks are a distance, three an angle (at the
# second), four a ratio (the distance of the first two by that of the last two).
# measurements:
#   - name: near_width
#     points: [near_end_front, near_end_back]
#     definition: Width of the near end
#   - name: bend
#     points: [near_end_front, shaft_middle, far_end_front]
#     definition: Angle between the two ends, seen from halfway along the shaft
#   - name: near_by_far
#     points: [near_end_front, near_end_back, far_end_front, far_end_back]
#     definition: Width of the near end by that of the far end

# The two landmarks of the length that ratios are taken to.
# standard_length: [near_end_front, far_end_front]

# Anatomical axes, for the drawings and for the words that say which way a landmark lies off.
# The third follows from the first two; its landmarks tell which way it points. `away` names the
# other way, where the usual words (front and back, outer and inner side) will not do.
# axes:
#   x: {towards: far end, away: near end, from: near_end_back, to: far_end_back}
#   y: {towards: front, from: near_end_back, to: near_end_front}
#   z: {towards: outer side, from: near_end_front, to: shaft_middle}
"""

SPECIMENS = "specimen,taxon,role,side,stage\n"

LANDMARKS_NOTE = """\
Put the landmark tables here, as CSV: one row a landmark of one digitisation.

specimen,element,replicate,observer,landmark,x,y,z
NAME-01,bone,,,near_end_front,12.31,4.05,7.72
NAME-01,bone,,,near_end_back,,,

One file for all or one a digitisation, as you like; every file here that ends in .csv is read.
A missing landmark has its row, with x, y and z blank. A specimen digitised more than once needs
a label for each time in the column replicate. Column names, decimal mark and units of your own
are told in study.yaml.
"""

SCANS_NOTE = """\
Put the scans here, if there are any, as bone/NAME-01.ply (or STL, OBJ, GLB), and take the # from
the lines of scans in study.yaml. In a file's name each of / \\ : * ? " < > | in a specimen's name
is replaced by _ .
"""

FILES = {
    "study.yaml": STUDY,
    "specimens.csv": SPECIMENS,
    "schemes/bone.yaml": SCHEME,
    "landmarks/README.txt": LANDMARKS_NOTE,
    "scans/README.txt": SCANS_NOTE,
}


def start_study(folder: Path | str) -> list[Path]:
    """Write the files of a new study.

    Parameters
    ----------
    folder : pathlib.Path or str
        Folder of the study; made if need be. Nothing that exists is overwritten.

    Returns
    -------
    list of pathlib.Path
        The files written.

    Raises
    ------
    StudyError
        If one of the files exists already or cannot be written; then none is written.
    """
    folder = Path(os.path.abspath(folder))
    if os.path.lexists(folder) and not os.path.isdir(folder):
        raise StudyError(
            Problems(
                [Problem("error", "This is a file, not a folder.", "Name a folder.", file=folder)]
            )
        )
    there = [name for name in FILES if os.path.lexists(folder / name)]
    if there:
        found = f"{listed(map(quoted, there))} {'is' if len(there) == 1 else 'are'} there already."
        raise StudyError(Problems([Problem("error", found, "Choose another folder.", file=folder)]))
    written: list[Path] = []
    for name, text in FILES.items():
        path = folder / name
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            with path.open("x", encoding="utf-8", newline="\n") as file:
                file.write(text)
        except (OSError, ValueError) as error:  # ValueError: a NUL character in the path
            reason = getattr(error, "strerror", None) or "its name cannot be a file's"
            for done in written:
                done.unlink(missing_ok=True)
            raise StudyError(
                Problems(
                    [
                        Problem(
                            "error",
                            f"This file cannot be written ({reason}).",
                            "Choose a folder that you may write to.",
                            file=path,
                        )
                    ]
                )
            ) from error
        written.append(path)
    return written
