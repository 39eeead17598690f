"""Slide: estimate what is missing, slide the semilandmarks, and tell how sure the estimates are."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morpho.inference.models.design import InferenceError
from morpho.results.store import ElementResults
from morpho.shape.checks import ShapeError
from morpho.shape.estimation.estimator import LandmarkEstimator
from morpho.shape.estimation.hiding import hide_and_seek
from morpho.shape.semilandmarks.outlines import Outlines
from morpho.shape.semilandmarks.sliding import SlidingResult, slide
from morpho.shape.symmetry.sides import mirror
from morpho.steps.streams import generator
from morpho.study.reading.paths import safe_name
from morpho.study.scans.reading import scan_of
from morpho.study.scheme.points import Layout, layout_of
from morpho.study.scheme.reading import Scheme, read_scheme

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["run"]

Array = NDArray[np.float64]

# Sliding is done when a pass moves points by less than this share of centroid size.
_TOLERANCE = 2.5e-4


def _carried(config: StudyConfig, results: ElementResults, scheme: Scheme, given: dict) -> Any:
    """Carried points of those who take part, and the patches that all of them have."""
    names = given["specimen"].tolist()
    wanted = config.settings.preparation.semilandmarks.patches and config.settings.scans is not None
    tables = []
    for name in names if wanted and scheme.patches else []:
        path = results.folder / "tables" / "carried" / f"{safe_name(name)}.csv"
        if path.is_file():
            tables.append(results.table(f"carried/{safe_name(name)}"))
    full = [table[table["specimen"].isin(names)] for table in tables if len(table)]
    if not full:
        return None, {}
    table = pd.concat(full)
    complete = {}
    for patch, part in table.groupby("patch"):
        counts = part.groupby("specimen")["number"].max()
        if set(counts.index) == set(names) and scheme.symmetry != "object":
            complete[str(patch)] = int(counts.iloc[0])
    return table, complete


def _assemble(given: dict, layout: Layout, carried: pd.DataFrame | None) -> Array:
    """All points of all specimens; carried ones that were flagged count as missing."""
    n, k = given["coordinates"].shape[:2]
    X = np.full((n, len(layout.names), 3), np.nan)
    X[:, :k] = given["coordinates"]
    if carried is None:
        return X
    sound = carried[carried["flag"] == ""]
    turn = dict(zip(given["specimen"].tolist(), given["mirrored"].tolist(), strict=True))
    rows = {name: i for i, name in enumerate(given["specimen"].tolist())}
    for patch, points in layout.patches.items():
        for specimen, part in sound[sound["patch"] == patch].groupby("specimen"):
            place = points[part["number"].to_numpy(int) - 1]
            found = part[["x", "y", "z"]].to_numpy(float)
            X[rows[str(specimen)], place] = mirror(found) if turn[str(specimen)] else found
    return X


def _completed(
    X: Array, known: NDArray[np.bool_], layout: Layout, method: str
) -> tuple[Array, LandmarkEstimator | None]:
    """Estimates in place of what is missing, from the known specimens that are complete."""
    if not np.isnan(X).any():
        return X, None
    complete = known & ~np.isnan(X).any(axis=(1, 2))
    if complete.sum() < 3:
        raise InferenceError(
            f"Only {int(complete.sum())} known specimens are complete: missing points cannot be "
            "estimated from so few. Set specimens aside, or use the points that all share "
            "(preparation: missing: in study.yaml)."
        )
    estimator = LandmarkEstimator(method=method, partners=layout.partners).fit(X[complete])
    return estimator.transform(X), estimator


def _slid(
    config: StudyConfig, element: str, given: dict, X: Array, layout: Layout
) -> SlidingResult | None:
    """Semilandmarks slid along the digitised curves and the scans; None without any."""
    settings = config.settings.preparation.semilandmarks
    surface = np.concatenate([np.empty(0, int), *layout.patches.values()]).astype(int)
    if not layout.curves and not surface.size:
        return None
    scanned = zip(given["specimen"].tolist(), given["mirrored"], strict=True)
    meshes = [
        scan_of(config, element, name, mirrored=turn) for name, turn in scanned if surface.size
    ]
    lines = {name: given[f"curve_{name}"] for name in layout.curves}
    return slide(
        X,
        curves=list(layout.curves.values()),
        surfaces=surface if surface.size else None,
        project=Outlines(layout.curves, lines, surface, meshes),
        criterion=settings.criterion,
        max_passes=settings.passes,
        tolerance=_TOLERANCE,
        known=given["known"],
    )


def _cause(point: int, lost: NDArray[np.bool_], layout: Layout) -> tuple[str, str]:
    """Why a point of a specimen has to be estimated, and the lost ends of its curve."""
    if layout.kinds[point] == "landmark":
        return "missing", ""
    if layout.kinds[point] == "patch":
        return "no_scan_point", ""
    along = layout.curves[layout.names[point].rpartition(".")[0]]
    ends = [layout.names[end] for end in (along[0], along[-1]) if lost[end]]
    return "no_curve_end" if ends else "no_curve", ";".join(ends)


def _estimates(
    missing: NDArray[np.bool_], X: Array, draws: Array, given: dict, layout: Layout
) -> list[dict[str, Any]]:
    """Every estimated point, with the spread of its draws."""
    rows, incomplete = [], np.flatnonzero(missing.any(axis=1))
    for j, i in enumerate(incomplete):
        for point in np.flatnonzero(missing[i]):
            spread = np.nan
            if len(draws) > 1:
                spread = float(np.sqrt(draws[:, j, point].var(axis=0, ddof=1).sum()))
            partner = None if layout.partners is None else int(layout.partners[point])
            by_side = partner is not None and partner != point and not missing[i, partner]
            cause, ends = _cause(int(point), missing[i], layout)
            rows.append(
                {
                    "specimen": given["specimen"][i],
                    "point": layout.names[point],
                    "kind": layout.kinds[point],
                    "estimated_by": "mirror side" if by_side else "other specimens",
                    "cause": cause,
                    "missing_ends": ends,
                    **dict(zip("xyz", X[i, point], strict=True)),
                    "spread_mm": spread,
                }
            )
    return rows


def _recovery(
    X: Array,
    missing: NDArray[np.bool_],
    given: dict,
    layout: Layout,
    method: str,
    rng: np.random.Generator,
) -> dict[str, Any]:
    """Hide each landmark of each complete known specimen in turn, and see how it is found."""
    landmarks = np.array(layout.kinds) == "landmark"
    complete = given["known"] & ~missing[:, landmarks].any(axis=1)
    if complete.sum() < 8:
        return {}
    try:
        found = hide_and_seek(
            X[complete][:, landmarks],
            taxa=given["taxon"][complete],
            method=method,
            partners=None if layout.partners is None else layout.partners[landmarks],
            random_state=rng,
        )
    except ShapeError:  # with one of them hidden, too few landmarks are left to find it by
        return {}
    return {
        "landmark": np.array(layout.names)[landmarks],
        "estimated_by": found.estimated,
        "error_mm": found.error_mm,
        "error_in_spread": found.error_in_spread,
        "coverage": found.coverage,
    }


def run(config: StudyConfig, element: str, results: ElementResults) -> None:
    """Write complete configurations, draws of the estimated points, and how it went."""
    settings = config.settings.preparation
    method, count = settings.missing.method, settings.missing.imputations
    given = results.arrays("prepared")
    known = given["known"]
    scheme = read_scheme(config.scheme_path(element), element)
    carried, patches = _carried(config, results, scheme, given)
    with_curves = settings.semilandmarks.curves
    layout = layout_of(scheme, curves=with_curves, patches=patches)
    own = set(given["point"].tolist()) | {
        layout.names[i] for points in layout.patches.values() for i in points
    }
    layout = layout.without([name for name in layout.names if name not in own])

    X = _assemble(given, layout, carried if patches else None)
    missing = np.asarray(np.isnan(X).any(axis=2))
    X, _ = _completed(X, known, layout, method)
    result = _slid(config, element, given, X, layout)
    X = X if result is None else result.coordinates
    # estimates and draws anew, among bones whose semilandmarks have slid
    X, estimator = _completed(np.where(missing[..., None], np.nan, X), known, layout, method)
    incomplete = np.flatnonzero(missing.any(axis=1))
    draws = np.empty((0, len(incomplete), *X.shape[1:]))
    seed = config.settings.seed
    if estimator is not None and count:
        draws = np.empty((count, len(incomplete), *X.shape[1:]))
        for j, i in enumerate(incomplete):
            gaps = np.where(missing[[i]][..., None], np.nan, X[[i]])
            # a stream for each specimen, so that another one more or less leaves it alone
            rng = generator(seed, element, "slide", "draws", str(given["specimen"][i]))
            draws[:, j] = estimator.draw(gaps, count, random_state=rng)[:, 0]
    results.write_arrays(
        "configurations",
        coordinates=X,
        draws=draws,
        incomplete=incomplete,
        point=np.array(layout.names),
        kind=np.array(layout.kinds),
        partners=np.arange(len(layout.names)) if layout.partners is None else layout.partners,
        **{key: given[key] for key in ("specimen", "taxon", "known")},
    )
    results.write_table("estimated_points", _estimates(missing, X, draws, given, layout))
    results.write_table(
        "sliding",
        []
        if result is None
        else {
            "pass": np.arange(len(result.energy)),
            "change": [np.nan, *result.changes],
            "minimised": result.energy,
        },
    )
    results.write_table("carried_points", [] if carried is None else carried)
    rng = generator(seed, element, "slide", "recovery")
    results.write_table("recovery", _recovery(X, missing, given, layout, method, rng))
    results.write_notes(
        "slide",
        {
            "outline": [list(line) for line in layout.outline],
            "curves": sorted(layout.curves),
            "patches": sorted(layout.patches),
            "patches_left_out": sorted(set(scheme.patch_names) - set(layout.patches)),
            "passes": 0 if result is None else result.passes,
            "converged": True if result is None else result.converged,
            "imputations": len(draws),
            "method": method,
        },
    )
