"""Differ: where each query differs from its nearest taxon, in mm, and which measurements tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morpho.inference.design import InferenceError
from morpho.inference.displacement import displacement
from morpho.inference.measurement_ranking import compare_measurements, values_at_size
from morpho.inference.measurements import (
    Measurement,
    all_distances,
    measure,
    mirror_images,
    named_measurement,
    ratios,
    taxon_measurements,
)
from morpho.inference.regions import region_displacements
from morpho.inference.taxon_prediction import TaxonPrediction, predict_taxon
from morpho.report.directions import Directions, larger_words
from morpho.shape.orientation import axis_across
from morpho.steps.files import ElementResults
from morpho.steps.placed import estimated_points, superimposed_shapes
from morpho.study.config import StudyConfig
from morpho.study.scheme import Scheme, read_scheme

__all__ = ["run"]

Array = NDArray[np.float64]

_DISPLACEMENTS = [
    "specimen", "taxon", "size_heeded", "rank", "landmark", "other_side", "counted", "kind",
    "definition", "estimated", "displacement_mm", "direction", "x_mm", "y_mm", "z_mm",
    "taxon_sd_mm", "in_taxon_sd", "p_value",
    "p_value_false_discovery", "rank_p_value", "resistant_displacement_mm",
    "resistant_in_taxon_sd", "fits_differ_mm", "fits_differ", "x", "y", "z",
]  # fmt: skip
_REGIONS = [
    "specimen", "taxon", "size_heeded", "region", "points", "root_mean_square_mm",
    "share_of_displacement", "share_of_points", "share_expected", "share_p_value",
    "share_p_value_all_taxa", "share_p_value_false_discovery", "distance_p_value",
    "distance_p_value_all_taxa", "distance_p_value_false_discovery", "rank_floor",
    "rank_floor_all_taxa",
]  # fmt: skip
_FITS = [
    "specimen", "taxon", "size_heeded", "fits_rank_correlation", "share_of_fits_differing",
    "frame",
]  # fmt: skip
_STEPS = ["x_mm", "y_mm", "z_mm"]
_KEY = ["specimen", "size_heeded"]
_RANKING = [
    *_KEY, "kind", "rank", "measurement", "other_side", "unit", "value", "taxa_compared",
    "taxa_outside", "outside_every_taxon", "beside_ranges", "nearest_taxon", "nearest_mean",
    "direction", "difference", "difference_percent", "standardised_difference", "p_value",
    "p_value_false_discovery",
]  # fmt: skip
_RANGES = [
    *_KEY, "measurement", "kind", "unit", "taxon", "specimens", "minimum", "maximum", "mean",
    "standard_deviation", "standard_deviation_unit", "value", "outside_range", "beyond_range",
    "direction", "difference", "difference_percent", "standardised_difference", "p_value",
    "p_value_false_discovery",
]  # fmt: skip
_VALUES = ["specimen", "taxon", "role", "measurement", "other_side", "kind", "unit", "value"]
_AT_SIZE = ["specimen", "measurement", "kind", "unit", "known_specimen", "taxon", "value"]
_SUMMARY = [
    "measurement", "other_side", "kind", "unit", "taxon", "specimens", "minimum", "maximum", "mean",
    "standard_deviation",
]  # fmt: skip


# Values of single specimens, and ranges beside a query's value, are written of measurements
# that are named in the scheme or rank up to here: as many as the figures may be asked to draw.
_KEPT = 40


@dataclass(frozen=True)
class _Bones:
    """Known specimens and queries, superimposed and in mm.

    `partners` only where the symmetric part of the bones is analysed, so that their two sides
    are one.
    """

    mean: Array
    partners: NDArray[np.intp] | None
    directions: Directions
    outward: Array
    frame: dict[str, str]
    shapes: Array
    in_mm: Array
    size: Array
    log_size: Array
    taxon: NDArray[Any]
    known: NDArray[np.bool_]
    specimen: list[str]
    point: list[str]
    kind: NDArray[Any]
    missing: NDArray[np.bool_]


def _bones(results: ElementResults, scheme: Scheme) -> _Bones:
    given, placed = results.arrays("configurations"), results.arrays("superimposed")
    notes, side = results.notes("superimpose"), results.notes("prepare")["side"]
    partners = given["partners"] if notes["symmetric"] else None
    across = None if partners is None else axis_across(placed["mean"], partners)
    directions = Directions(notes["towards"], notes["away"], across[0] if across else None)
    mirrored = results.table("specimens").set_index("specimen")["mirrored"]
    unsure = not (scheme.axes and scheme.axes["z"].start)
    return _Bones(
        placed["mean"],
        partners,
        directions,
        across[1] if across else np.zeros(len(placed["mean"])),
        {
            name: directions.frame(side, bool(mirrored[name]), unsure)
            for name in given["specimen"].tolist()
        },
        superimposed_shapes(placed),
        given["coordinates"],
        np.exp(placed["log_size"]),
        placed["log_size"],
        given["taxon"],
        given["known"],
        given["specimen"].tolist(),
        given["point"].tolist(),
        given["kind"],
        estimated_points(results, given),
    )


def _other_sides(bones: _Bones, places: Sequence[int]) -> list[str]:
    """Names of the mirror images of points; blank where there is none but the point itself."""
    if bones.partners is None:
        return [""] * len(places)
    others = [int(bones.partners[i]) for i in places]
    return ["" if i == j else bones.point[j] for i, j in zip(places, others, strict=True)]


def _compared(results: ElementResults, which: str, taxa: Sequence[str]) -> dict[str, list[str]]:
    """Taxa that each judged query is told apart from, the nearest first."""
    verdicts = results.table("verdicts")
    compared = {}
    for row in verdicts[verdicts["nearest_taxon"] != ""].to_dict("records"):
        nearest = str(row["nearest_taxon"])
        others = [taxon for taxon in taxa if taxon != nearest] if which == "all" else []
        compared[str(row["specimen"])] = [nearest, *others]
    return compared


def _predict(
    bones: _Bones, taxon: str, query: int, heeded: bool, own: Sequence[str]
) -> TaxonPrediction:
    known = bones.known
    size, at = (bones.log_size[known], float(bones.log_size[query])) if heeded else (None, None)
    return predict_taxon(
        bones.shapes[known], bones.taxon[known], taxon, size, at, own_slopes=own if heeded else ()
    )


def _regions(bones: _Bones, scheme: Scheme) -> dict[str, list[int]]:
    """Points of each module: its landmarks, and the curves that run between two of them."""
    regions = {}
    for name, landmarks in scheme.modules.items():
        within = {c.name for c in scheme.curves if {c.start, c.end} <= set(landmarks)}
        places = [
            i
            for i, point in enumerate(bones.point)
            if point in landmarks
            or (bones.kind[i] == "curve" and point.rpartition(".")[0] in within)
        ]
        if places:
            regions[name] = places
    return regions


def _displacements(
    bones: _Bones, scheme: Scheme, compared: dict[str, list[str]], own: Sequence[str]
) -> tuple[dict[str, pd.DataFrame], list[str]]:
    """Displacements of landmarks and of regions, and how the two fits agree."""
    definitions = {landmark.name: landmark.definition for landmark in scheme.landmarks}
    regions = _regions(bones, scheme)
    # two families: what is said of landmarks must hold among landmarks
    families = np.where(bones.kind == "landmark", "landmark", "semilandmark")
    moved, parts, fits, trouble = [], [], [], []
    for specimen, taxa in compared.items():
        i = bones.specimen.index(specimen)
        for taxon in taxa:
            for heeded in (False, True):
                key = {"specimen": specimen, "taxon": taxon, "size_heeded": heeded}
                try:
                    predicted = _predict(bones, taxon, i, heeded, own)
                    found = displacement(
                        bones.shapes[i],
                        predicted,
                        centroid_size_mm=float(bones.size[i]),
                        names=bones.point,
                        families=families,
                        partners=bones.partners,
                    )
                except InferenceError as error:
                    trouble.append(f"{specimen} from {taxon}: {error}")
                    continue
                table = found.table.assign(**key)
                table["definition"] = table["landmark"].map(definitions).fillna("")
                place = [bones.point.index(name) for name in table["landmark"]]
                table["other_side"] = _other_sides(bones, place)
                table["direction"] = [
                    bones.directions.words(step, float(bones.outward[j]))
                    for step, j in zip(table[_STEPS].to_numpy().tolist(), place, strict=True)
                ]
                table["kind"] = bones.kind[place]
                table["estimated"] = bones.missing[i][place]
                table[["x", "y", "z"]] = predicted.shape[place] * bones.size[i]
                moved.append(table[_DISPLACEMENTS])
                fits.append(
                    key
                    | {
                        "fits_rank_correlation": found.fits_rank_correlation,
                        "share_of_fits_differing": found.share_of_fits_differing,
                        "frame": bones.frame[specimen],
                    }
                )
                if regions:
                    part = region_displacements(
                        bones.shapes[i],
                        predicted,
                        regions,
                        centroid_size_mm=float(bones.size[i]),
                        partners=bones.partners,
                    )
                    parts.append(part.assign(**key)[_REGIONS])
    return {
        "displacements": _stack(moved, _DISPLACEMENTS),
        "region_displacements": _stack(parts, _REGIONS),
        "fits": pd.DataFrame(fits, columns=_FITS),
    }, trouble


def _stack(tables: list[pd.DataFrame], columns: list[str]) -> pd.DataFrame:
    full = [table[columns] for table in tables if len(table)]
    return pd.concat(full, ignore_index=True) if full else pd.DataFrame(columns=columns)


def _compared_lengths(ratio: Measurement) -> tuple[frozenset[int], frozenset[int]]:
    """Ends of the two distances of a ratio, whichever way they run."""
    return frozenset(ratio.points[:2]), frozenset(ratio.points[2:])


def _tidy(measured: Array, family: list[Measurement], bones: _Bones) -> pd.DataFrame:
    """Rows of measured values: a row for each measurement and specimen."""
    n, m = measured.shape
    role = np.where(bones.known, "known", "query")
    return pd.DataFrame(
        {
            "specimen": np.tile(np.array(bones.specimen, dtype=object), m),
            "taxon": np.tile(bones.taxon.astype(object), m),
            "role": np.tile(role.astype(object), m),
            "measurement": np.repeat(np.array([one.name for one in family], dtype=object), n),
            "kind": family[0].kind,
            "unit": family[0].unit,
            "value": measured.T.ravel(),
        }
    )


def _at_size(
    measured: Array, family: list[Measurement], bones: _Bones, specimen: str
) -> pd.DataFrame:
    """The known specimens' values at the size of a query: a row for each of both."""
    known, at = bones.known, bones.log_size[bones.specimen.index(specimen)]
    log_size, taxon = bones.log_size[known], bones.taxon[known]
    moved = values_at_size(measured[known], family, taxon, log_size, float(at))
    names = np.array(bones.specimen, dtype=object)[known]
    return pd.DataFrame(
        {
            "specimen": specimen,
            "measurement": np.repeat(np.array([m.name for m in family], dtype=object), len(names)),
            "kind": family[0].kind,
            "unit": family[0].unit,
            "known_specimen": np.tile(names, len(family)),
            "taxon": np.tile(taxon.astype(object), len(family)),
            "value": moved.T.ravel(),
        },
        columns=_AT_SIZE,
    )


def _families(scheme: Scheme, points: list[str], landmarks: list[str]) -> list[list[Measurement]]:
    """Measurements that are ranked together: those named, all distances, all ratios."""
    named = [
        named_measurement(one.name, one.points, points)
        for one in scheme.measurements
        if set(one.points) <= set(points)
    ]
    distances = all_distances(points, landmarks)
    families = [[m for m in named if m.kind == kind] for kind in ("distance", "angle", "ratio")]
    taken = {frozenset(m.points) for m in families[0]} | {m.name for m in named}
    families[0] += [m for m in distances if not {frozenset(m.points), m.name} & taken]
    if scheme.standard_length and set(scheme.standard_length) <= set(points):
        standard = named_measurement("", scheme.standard_length, points)
        taken_ratios = {_compared_lengths(m) for m in families[2]}
        families[2] += [
            m for m in ratios(distances, standard) if _compared_lengths(m) not in taken_ratios
        ]
    return [family for family in families if family]


def _widths(family: list[Measurement], bones: _Bones) -> dict[str, bool]:
    """Which measurements are distances across the bone."""
    return {
        m.name: m.kind == "distance"
        and bones.directions.is_width(bones.mean[m.points[1]] - bones.mean[m.points[0]])
        for m in family
    }


def _measurements(
    bones: _Bones, scheme: Scheme, compared: dict[str, list[str]]
) -> tuple[dict[str, pd.DataFrame], list[str]]:
    """Values, ranges within taxa, and measurements ranked by how well they set queries apart."""
    X = np.where(bones.missing[..., None], np.nan, bones.in_mm)
    landmarks = [p for p, kind in zip(bones.point, bones.kind, strict=True) if kind == "landmark"]
    known = bones.known
    asked = [bones.specimen.index(name) for name in compared]
    values: list[pd.DataFrame] = []
    summaries: list[pd.DataFrame] = []
    rankings: list[pd.DataFrame] = []
    ranges: list[pd.DataFrame] = []
    at_size: list[pd.DataFrame] = []
    trouble: list[str] = []
    named = {one.name for one in scheme.measurements}
    chosen = set(named)
    for whole in _families(scheme, bones.point, landmarks):
        family, images, other = whole, None, {}
        if bones.partners is not None:
            family, images = mirror_images(whole, bones.partners, bones.point)
            other = {m.name: i.name for m, i in zip(family, images, strict=True) if i is not None}
            left = sorted(({m.name for m in whole} - {m.name for m in family}) & named)
            trouble += [
                f"the measurement {name} mirrors another of the scheme, and is counted with it"
                for name in left
            ]
        measured = measure(X, family, images)
        values.append(_tidy(measured, family, bones))
        summaries.append(taxon_measurements(measured[known], family, bones.taxon[known]))
        widths = _widths(family, bones)
        for heeded in (False, True) if asked else ():
            sizes = (bones.log_size[known], bones.log_size[asked]) if heeded else (None, None)
            try:
                found = compare_measurements(
                    measured[known],
                    family,
                    bones.taxon[known],
                    measured[asked],
                    names=list(compared),
                    log_size=sizes[0],
                    query_log_size=sizes[1],
                )
            except InferenceError as error:
                trouble.append(f"measurements ({family[0].kind}s): {error}")
                continue
            for table, into in ((found.ranking, rankings), (found.taxa, ranges)):
                table = table.rename(columns={"query": "specimen"}).assign(size_heeded=heeded)
                table["direction"] = [
                    larger_words(kind, difference, widths[name])
                    for kind, difference, name in zip(
                        table["kind"], table["difference"], table["measurement"], strict=True
                    )
                ]
                into.append(table)
            best = found.ranking[found.ranking["rank"] <= _KEPT]
            chosen |= set(best["measurement"])
            for specimen in compared if heeded else ():
                drawn = named | set(best.loc[best["query"] == specimen, "measurement"])
                table = _at_size(measured, family, bones, specimen)
                at_size.append(table[table["measurement"].isin(drawn)])
        for tables in (values, summaries, rankings):
            for table in tables:
                if "other_side" not in table:
                    table["other_side"] = [other.get(name, "") for name in table["measurement"]]
    kept, beside = _stack(values, _VALUES), _stack(ranges, _RANGES)
    return {
        "measurements": kept[kept["measurement"].isin(chosen)],
        "measurements_at_size": _stack(at_size, _AT_SIZE),
        "measurement_summary": _stack(summaries, _SUMMARY),
        "measurement_ranking": _stack(rankings, _RANKING),
        "measurement_ranges": beside[beside["measurement"].isin(chosen)],
    }, trouble


def _not_taken(scheme: Scheme, points: list[str]) -> list[str]:
    """Measurements of the scheme whose landmarks do not all take part."""
    left = {
        one.name: sorted(set(one.points) - set(points))
        for one in scheme.measurements
        if not set(one.points) <= set(points)
    }
    return [
        f"the measurement {name} is left out, as not all specimens have {', '.join(lost)}"
        for name, lost in left.items()
    ]


def run(config: StudyConfig, element: str, results: ElementResults) -> None:
    """Write displacements, regions and measurements."""
    scheme = read_scheme(config.scheme_path(element), element)
    bones = _bones(results, scheme)
    taxa = np.unique(bones.taxon[bones.known]).astype(str).tolist()
    compared = _compared(results, config.settings["differences"]["against"], taxa)
    own = results.notes("place")["own_slopes"]
    tables, trouble = _displacements(bones, scheme, compared, own)
    more, other = _measurements(bones, scheme, compared)
    for name, table in (tables | more).items():
        results.write_table(name, table)
    results.write_notes("differ", {"trouble": [*trouble, *other, *_not_taken(scheme, bones.point)]})
