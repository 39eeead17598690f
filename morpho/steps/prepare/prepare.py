"""Prepare: from digitisations to bones that can be compared, all of one side."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morpho.results.store import ElementResults
from morpho.shape.missing import landmarks_present
from morpho.shape.symmetry.distortion import symmetrize
from morpho.shape.symmetry.sides import commoner_side, mirror
from morpho.steps.prepare.averaged import average_bones, points_of
from morpho.study.element import read_element
from morpho.study.reading.problems import Problem, Problems, StudyError
from morpho.study.scheme.points import Layout, layout_of

if TYPE_CHECKING:
    from morpho.study.settings.blocks import Missing
    from morpho.study.settings.config import StudyConfig

__all__ = ["run"]

Array = NDArray[np.float64]


def _mirrored_specimens(
    sides: pd.Series, known: pd.Series, symmetry: str, wanted: str
) -> tuple[NDArray[np.bool_], str]:
    """Which specimens have to be mirrored so that all are of one side."""
    if symmetry != "matching" or not sides.isin(["left", "right"]).any():
        return np.zeros(len(sides), dtype=bool), ""
    side = commoner_side(sides[known].tolist()) if wanted == "commoner" else wanted
    other = "left" if side == "right" else "right"
    return (sides == other).to_numpy(), side


def _set_aside(
    X: Array, table: pd.DataFrame, names: Sequence[str], n_landmarks: int, rule: Missing
) -> tuple[pd.DataFrame, NDArray[np.bool_]]:
    """Decide who takes part and on which points, as study.yaml says.

    The table comes back with who is used and why others are set aside; the points are those that
    all have who are to be taken as they are: missing ones of the others are estimated.
    """
    present = landmarks_present(X)
    share = present[:, :n_landmarks].mean(axis=1)
    aside, points, estimated = [], [], []
    treated = {"known": rule.known, "query": rule.query}
    for role, has, part in zip(table["role"], present, share, strict=True):
        lost = [name for name, there in zip(names, has, strict=True) if not there]
        little = part < rule.smallest_share
        for_points = not little and bool(lost) and treated[role] == "set_aside"
        aside.append("too_little" if little else "missing_points" if for_points else "")
        points.append(" ".join(lost) if for_points else "")
        estimated.append(treated[role] == "estimate")
    table = table.assign(
        landmarks_present=present[:, :n_landmarks].sum(axis=1),
        missing_landmarks=[
            " ".join(np.array(names)[:n_landmarks][~has[:n_landmarks]]) for has in present
        ],
        used=[not why for why in aside],
        set_aside=aside,
        missing_points=points,
    )
    kept = table["used"].to_numpy()
    counted = kept & ~np.array(estimated)
    used = present[counted].all(axis=0) if counted.any() else np.ones(len(names), dtype=bool)
    # a point that nobody has cannot be estimated
    return table, used & present[kept].any(axis=0)


def _undistort(
    X: Array, specimens: list[str], layout: Layout, chosen: list[str]
) -> tuple[Array, list[dict[str, Any]]]:
    """Make the chosen bones symmetric; how much that took, as rows."""
    X, rows = X.copy(), []
    for name in chosen:
        if name not in specimens or layout.partners is None:
            continue
        i = specimens.index(name)
        result = symmetrize(X[i], layout.partners)
        X[i] = result.configuration
        rows.append(
            {
                "specimen": name,
                "shear": result.strength,
                "asymmetry_before": result.asymmetry_before,
                "asymmetry_sheared": result.asymmetry_sheared,
                "procrustes_distance": result.distance,
            }
        )
    return X, rows


def run(config: StudyConfig, element: str, results: ElementResults) -> None:
    """Write the bones that take part, and what became of each specimen."""
    settings = config.settings.preparation
    scheme, specimens, rows = read_element(config, element)
    with_curves = settings.semilandmarks.curves
    bones = average_bones(rows, scheme, curves=with_curves)
    whole = layout_of(scheme, curves=with_curves, patches={})
    table = specimens.loc[bones.specimens, ["taxon", "role", "side", "stage"]].copy()
    table["digitisations"] = bones.digitisations
    # queries have no say in which side is the commoner one
    mirrored, side = _mirrored_specimens(
        table["side"], table["role"] == "known", scheme.symmetry, settings.mirror_to
    )
    table["mirrored"] = mirrored
    turn = mirrored[:, None, None]

    points = points_of(bones, whole)
    distorted = np.where(turn, mirror(points), points)
    X, distortion = _undistort(distorted, bones.specimens, whole, settings.distortion)
    undistorted = [row["specimen"] for row in distortion]
    n_landmarks = len(scheme.landmarks)
    table, used = _set_aside(X, table, whole.names, n_landmarks, settings.missing)
    kept = table["used"].to_numpy()
    known = kept & (table["role"] == "known").to_numpy()
    layout = whole.without(np.array(whole.names)[~used].tolist())
    if len(layout.names) < 4 or known.sum() < 3:
        problem = Problem(
            "error",
            f"{known.sum()} known specimens share {len(layout.names)} landmarks.",
            "At least 3 known specimens with 4 shared landmarks are needed; "
            "preparation: missing: in study.yaml says who is set aside.",
            config.path,
            element=element,
        )
        raise StudyError(Problems([problem]))
    chosen = np.isin(whole.names, layout.names)
    lines = {name: np.where(turn, mirror(line), line) for name, line in bones.polylines.items()}
    for line in lines.values():
        # the curves of a bone made symmetric are no longer where they were digitised
        line[np.isin(bones.specimens, undistorted)] = np.nan
    results.write_arrays(
        "prepared",
        coordinates=X[kept][:, chosen],
        distorted=distorted[kept][:, chosen],
        undistorted=np.isin(table.index[kept].to_numpy(dtype=str), undistorted),
        point=np.array(layout.names),
        specimen=table.index[kept].to_numpy(dtype=str),
        taxon=table["taxon"][kept].to_numpy(dtype=str),
        known=known[kept],
        mirrored=mirrored[kept],
        **{f"curve_{name}": lines[name][kept] for name in layout.curves},
    )
    results.write_table("specimens", table.rename_axis("specimen").reset_index())
    results.write_table(
        "landmarks",
        {
            "landmark": scheme.landmark_names,
            "type": [landmark.type for landmark in scheme.landmarks],
            "definition": [landmark.definition for landmark in scheme.landmarks],
            "used": np.isin(scheme.landmark_names, layout.names),
        },
    )
    results.write_table("distortion", distortion)
    results.write_notes(
        "prepare",
        {
            "side": side,
            "symmetry": scheme.symmetry,
            "curves": sorted(layout.curves),
            "curves_left_out": sorted(set(scheme.curve_names) - set(layout.curves)),
            "patches": list(scheme.patch_names),
            "description": scheme.description,
            "missing": settings.missing.plain(),
        },
    )
