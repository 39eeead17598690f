"""The scans: refused where they would fail silently later, and repaired where they can be."""

from __future__ import annotations

import logging
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import trimesh

from morpho.study.reading.coordinates import LARGEST, MILLIMETRES, SMALLEST
from morpho.study.reading.paths import SCAN_ENDINGS
from morpho.study.reading.problems import Problems, StudyError, refusal
from morpho.study.reading.wording import quoted
from morpho.study.scans.repair import repair_scan
from morpho.wording import listed

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["read_scan", "read_scan_with_notes", "scan_of"]

logging.getLogger("trimesh").setLevel(logging.CRITICAL)


def _load(path: Path) -> Any:
    if not os.path.isfile(path):
        raise refusal("This scan does not exist.", "Put the path right.", path)
    if path.suffix.lower() not in SCAN_ENDINGS:
        raise refusal(
            f"A scan cannot end in {quoted(path.suffix)}.",
            f"Export it as {listed((e[1:].upper() for e in SCAN_ENDINGS), last='or')}.",
            path,
        )
    try:
        if os.path.getsize(path) == 0:
            raise refusal("This scan is an empty file.", "Export it again.", path)
        return trimesh.load_mesh(path)
    except StudyError:
        raise
    except PermissionError as error:
        raise refusal(
            "You have no permission to read this scan.", "Change its permissions.", path
        ) from error
    except MemoryError as error:
        raise refusal(
            "This scan does not fit into memory.", "Reduce its number of triangles.", path
        ) from error
    except Exception as error:  # whatever a broken file makes the readers raise
        raise refusal(
            f"This scan cannot be read ({type(error).__name__}); it is damaged, cut short or not "
            f"what its ending says.",
            "Export it again.",
            path,
        ) from error


def _single_mesh(loaded: Any) -> trimesh.Trimesh | None:
    if isinstance(loaded, trimesh.Scene):
        loaded = loaded.to_mesh()
    return loaded if isinstance(loaded, trimesh.Trimesh) else None


def read_scan_with_notes(path: Path | str, units: str = "mm") -> tuple[trimesh.Trimesh, Problems]:
    """Read a scan, repaired, in millimetres, and tell what was put right in it.

    Its unit is the one that study.yaml states; what the file itself says is not heeded.
    """
    path = Path(path)
    mesh = _single_mesh(_load(path))
    if mesh is None or len(mesh.faces) == 0 or len(mesh.vertices) == 0:
        raise refusal(
            "This scan has no triangle: it is empty, cut short, or a cloud of points.",
            "Export it again as a surface of triangles.",
            path,
        )
    vertices = np.asarray(mesh.vertices, dtype=np.float64)
    if not np.isfinite(vertices).all():
        raise refusal(
            "This scan has coordinates that are not finite numbers.",
            "Clean the surface in the program that made it, and export it again.",
            path,
        )
    faces = np.asarray(mesh.faces)
    if faces.min() < 0 or faces.max() >= len(vertices):
        raise refusal(
            "A triangle of this scan names a corner that is not there.",
            "The file is damaged or cut short: export it again.",
            path,
        )
    if np.abs(vertices).max() > LARGEST:
        raise refusal(
            f"This scan has a coordinate of {np.abs(vertices).max():.3g}, which no bone has.",
            "The file is damaged, or a stray corner is far from the bone: export it again.",
            path,
        )
    if not np.ptp(vertices[np.unique(faces)], axis=0).max() * MILLIMETRES[units] > SMALLEST:
        raise refusal(
            "All of this scan lies in one point.",
            "Look whether its unit is right (scans: units in study.yaml), or export it again.",
            path,
        )
    mesh.apply_scale(MILLIMETRES[units])
    return repair_scan(mesh, path)


def read_scan(path: Path | str, units: str = "mm") -> trimesh.Trimesh:
    """Read a scan as `read_scan_with_notes` does, without what it tells."""
    return read_scan_with_notes(path, units)[0]


def scan_of(
    config: StudyConfig, element: str, specimen: str, *, mirrored: bool = False
) -> trimesh.Trimesh | None:
    """Read the scan of a specimen, where it has one, and mirror it as `mirror` does landmarks."""
    path = config.scan_file(element, specimen)
    if path is None:
        return None
    mesh = read_scan(path, config.scan_units(element, specimen))
    if mirrored:
        mesh.apply_transform(np.diag([1.0, 1.0, -1.0, 1.0]))
    return mesh
