"""A study to start from: a folder with every file that is needed, explained inside."""

from __future__ import annotations

import os
from pathlib import Path

from morpho.study.reading.explained import file_to_fill_in
from morpho.study.reading.problems import refusal
from morpho.study.reading.wording import quoted
from morpho.study.settings.schema import study_schema
from morpho.wording import listed

__all__ = ["start_study"]

STUDY = f"""\
# The study. Lines that begin with # are comments: those with a key show its
# default, and count only once the # is deleted. Paths are relative to this file.
# Check the study at any time with:  formkin check THIS_FOLDER

{file_to_fill_in(study_schema())}"""

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
outline:
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
    """Write the files of a new study: all, or none where one is there or cannot be written."""
    folder = Path(os.path.abspath(folder))
    if os.path.lexists(folder) and not os.path.isdir(folder):
        raise refusal("This is a file, not a folder.", "Name a folder.", folder)
    there = [name for name in FILES if os.path.lexists(folder / name)]
    if there:
        found = f"{listed(map(quoted, there))} {'is' if len(there) == 1 else 'are'} there already."
        raise refusal(found, "Choose another folder.", folder)
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
            raise refusal(
                f"This file cannot be written ({reason}).",
                "Choose a folder that you may write to.",
                path,
            ) from error
        written.append(path)
    return written
