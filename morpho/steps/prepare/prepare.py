"""Prepare: from digitisations to bones that can be compared, all of one side."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morpho.results.store import ElementResults
from morpho.shape.missing import landmarks_present
from morpho.shape.semilandmarks.curves import resample
from morpho.shape.symmetry.distortion import symmetrize
from morpho.shape.symmetry.sides import commoner_side, mirror
from morpho.steps.prepare.averaged import Bones, average_bones
from morpho.study.element import read_element
from morpho.study.reading.problems import Problems, StudyError
from morpho.study.scheme.points import Layout, layout_of
from morpho.study.scheme.reading import Scheme

if TYPE_CHECKING:
    from morpho.study.settings.blocks import Missing, Preparation
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


def _points(bones: Bones, layout: Layout) -> Array:
    """Landmarks and equally spaced semilandmarks of the curves; NaN where missing."""
    n = len(bones.specimens)
    X = np.full((n, len(layout.names), 3), np.nan)
    X[:, : bones.landmarks.shape[1]] = bones.landmarks
    for name, points in layout.curves.items():
        for i, line in enumerate(bones.polylines[name]):
            if not np.isnan(line).any():
                X[i, points[1:-1]] = resample(line, len(points) - 2)
    return X


def _undistort(
    X: Array, specimens: list[str], layout: Layout, chosen: list[str]
) -> tuple[Array, pd.DataFrame]:
    """Make the chosen bones symmetric; how much that took, as a table."""
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
    columns = ["specimen", "shear", "asymmetry_before", "asymmetry_sheared", "procrustes_distance"]
    return X, pd.DataFrame(rows, columns=columns)


def _refuse(config: StudyConfig, element: str, known: int, points: int) -> None:
    problems = Problems()
    problems.error(
        f"{known} known specimens share {points} landmarks.",
        "At least 3 known specimens with 4 shared landmarks are needed; "
        "preparation: missing: in study.yaml says who is set aside.",
        file=config.path,
        element=element,
    )
    raise StudyError(problems)


def _notes(scheme: Scheme, side: str, layout: Layout, settings: Preparation) -> dict[str, Any]:
    return {
        "side": side,
        "symmetry": scheme.symmetry,
        "curves": sorted(layout.curves),
        "curves_left_out": sorted(set(scheme.curve_names) - set(layout.curves)),
        "patches": list(scheme.patch_names),
        "description": scheme.description,
        "missing": settings.missing.plain(),
    }


def run(config: StudyConfig, element: str, results: ElementResults) -> None:
    """Write the bones that take part, and what became of each specimen."""
    settings = config.settings.preparation
    scheme, specimens, rows = read_element(config, element)
    with_curves = settings.semilandmarks.curves
    bones = average_bones(rows, scheme, curves=with_curves)
    layout = layout_of(scheme, curves=with_curves, patches={})
    table = specimens.loc[bones.specimens, ["taxon", "role", "side", "stage"]].copy()
    table["digitisations"] = bones.digitisations
    # queries have no say in which side is the commoner one
    mirrored, side = _mirrored_specimens(
        table["side"], table["role"] == "known", scheme.symmetry, settings.mirror_to
    )
    table["mirrored"] = mirrored
    turn = mirrored[:, None, None]

    points = _points(bones, layout)
    X = np.where(turn, mirror(points), points)
    distorted = X
    X, distortion = _undistort(X, bones.specimens, layout, settings.distortion)
    n_landmarks = len(scheme.landmarks)
    table, used = _set_aside(X, table, layout.names, n_landmarks, settings.missing)
    kept = table["used"].to_numpy()
    known = kept & (table["role"] == "known").to_numpy()
    layout = layout.without(np.array(layout.names)[~used].tolist())
    if len(layout.names) < 4 or known.sum() < 3:
        _refuse(config, element, int(known.sum()), len(layout.names))
    whole = layout_of(scheme, curves=with_curves, patches={})
    chosen = np.isin(whole.names, layout.names)
    lines = {name: np.where(turn, mirror(line), line) for name, line in bones.polylines.items()}
    for name in settings.distortion:
        # the curves of a bone made symmetric are no longer where they were digitised
        for line in (
            lines.values() if name in bones.specimens and layout.partners is not None else ()
        ):
            line[bones.specimens.index(name)] = np.nan
    results.write_arrays(
        "prepared",
        coordinates=X[kept][:, chosen],
        distorted=distorted[kept][:, chosen],
        undistorted=np.isin(table.index[kept].to_numpy(dtype=str), distortion["specimen"]),
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
        pd.DataFrame(
            {
                "landmark": scheme.landmark_names,
                "type": [landmark.type for landmark in scheme.landmarks],
                "definition": [landmark.definition for landmark in scheme.landmarks],
                "used": np.isin(scheme.landmark_names, layout.names),
            }
        ),
    )
    results.write_table("distortion", distortion)
    results.write_notes("prepare", _notes(scheme, side, layout, settings))
