"""Differ: where each query differs from its nearest taxon, in mm, and which measurements tell."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morpho.inference.data.mirror_images import mirror_images
from morpho.inference.differences.displacement import displacement
from morpho.inference.differences.measurements import (
    Measurement,
    all_distances,
    measure,
    named_measurement,
    ratios,
    taxon_measurements,
)
from morpho.inference.differences.prediction import predict_taxon
from morpho.inference.differences.ranking import compare_measurements, values_at_size
from morpho.inference.differences.regions import region_displacements
from morpho.results.directions import Directions, larger_words
from morpho.results.store import ElementResults
from morpho.shape.checks import Refusal
from morpho.shape.orientation import axis_across
from morpho.steps.show.superimposed import estimated_points, superimposed_shapes
from morpho.steps.trouble import Trouble
from morpho.study.scheme.reading import Scheme, read_scheme

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["run"]

Array = NDArray[np.float64]

_STEPS = ["x_mm", "y_mm", "z_mm"]
# Values of single specimens, and ranges beside a query's value, are written of measurements
# that are named in the scheme or rank up to here: as many as the figures may be asked to draw.
_KEPT = 40


class _ComparedBones:
    """Known specimens and queries of an element, superimposed and in mm."""

    def __init__(self, results: ElementResults, scheme: Scheme) -> None:
        given, placed = results.arrays("configurations"), results.arrays("superimposed")
        notes, side = results.notes("superimpose"), results.notes("prepare")["side"]
        self.mean = placed["mean"]  # in the anatomical frame, at unit centroid size
        # the point on the other side of each, where the symmetric part of the bones is analysed
        self.partners = given["partners"] if notes["symmetric"] else None
        across = None if self.partners is None else axis_across(self.mean, self.partners)
        self.directions = Directions(notes["towards"], notes["away"], across[0] if across else None)
        # 1 or -1 where that way along the axis across leads away from the midline; else 0
        self.outward = across[1] if across else np.zeros(len(self.mean))
        self.shapes, self.in_mm = superimposed_shapes(placed), given["coordinates"]
        self.log_size, self.size = placed["log_size"], np.exp(placed["log_size"])
        self.taxon, self.known, self.kind = given["taxon"], given["known"], given["kind"]
        self.specimen: list[str] = given["specimen"].tolist()
        self.point: list[str] = given["point"].tolist()
        self.missing = estimated_points(results, given)  # points that are estimated
        mirrored = results.table("specimens").set_index("specimen")["mirrored"]
        unsure = not (scheme.axes and scheme.axes["z"].start)
        self.frame = {  # what directions are told in
            name: self.directions.frame(side, bool(mirrored[name]), unsure)
            for name in self.specimen
        }


def _compared(results: ElementResults, which: str, taxa: Sequence[str]) -> dict[str, list[str]]:
    """Taxa that each judged query is told apart from, the nearest first."""
    verdicts = results.table("verdicts")
    compared = {}
    for row in verdicts[verdicts["nearest_taxon"] != ""].to_dict("records"):
        nearest = str(row["nearest_taxon"])
        others = [taxon for taxon in taxa if taxon != nearest] if which == "all" else []
        compared[str(row["specimen"])] = [nearest, *others]
    return compared


def _regions(bones: _ComparedBones, scheme: Scheme) -> dict[str, list[int]]:
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


def _other_sides(bones: _ComparedBones, places: Sequence[int]) -> list[str]:
    """Names of the mirror images of points; blank where there is none but the point itself."""
    if bones.partners is None:
        return [""] * len(places)
    others = [int(bones.partners[i]) for i in places]
    return ["" if i == j else bones.point[j] for i, j in zip(places, others, strict=True)]


def _displacements(
    bones: _ComparedBones,
    scheme: Scheme,
    compared: dict[str, list[str]],
    own: Sequence[str],
    trouble: Trouble,
) -> dict[str, list[Any]]:
    """Displacements of landmarks and of regions, and how the two fits agree."""
    definitions = {landmark.name: landmark.definition for landmark in scheme.landmarks}
    regions, known = _regions(bones, scheme), bones.known
    # two families: what is said of landmarks must hold among landmarks
    families = np.where(bones.kind == "landmark", "landmark", "semilandmark")
    moved, parts, fits = [], [], []
    for specimen, taxa in compared.items():
        i = bones.specimen.index(specimen)
        for taxon in taxa:
            for heeded in (False, True):
                key = {"specimen": specimen, "taxon": taxon, "size_heeded": heeded}
                try:
                    predicted = predict_taxon(
                        bones.shapes[known],
                        bones.taxon[known],
                        taxon,
                        bones.log_size[known] if heeded else None,
                        float(bones.log_size[i]) if heeded else None,
                        own_slopes=own if heeded else (),
                    )
                    found = displacement(
                        bones.shapes[i],
                        predicted,
                        centroid_size_mm=float(bones.size[i]),
                        names=bones.point,
                        families=families,
                        partners=bones.partners,
                    )
                except Refusal as error:
                    trouble.refused("differences", error, **key)
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
                moved.append(table)
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
                    parts.append(part.assign(**key))
    return {"displacements": moved, "region_displacements": parts, "fits": fits}


def _compared_lengths(ratio: Measurement) -> tuple[frozenset[int], frozenset[int]]:
    """Ends of the two distances of a ratio, whichever way they run."""
    return frozenset(ratio.points[:2]), frozenset(ratio.points[2:])


def _tidy(
    values: Array, family: list[Measurement], who: str, specimens: Sequence[str], taxa: NDArray[Any]
) -> pd.DataFrame:
    """Rows of measured values: a row for each measurement and specimen, named in a column `who`."""
    n, m = values.shape
    return pd.DataFrame(
        {
            who: np.tile(np.array(specimens, dtype=object), m),
            "taxon": np.tile(taxa.astype(object), m),
            "measurement": np.repeat(np.array([one.name for one in family], dtype=object), n),
            "kind": family[0].kind,
            "unit": family[0].unit,
            "value": values.T.ravel(),
        }
    )


def _at_size(
    measured: Array, family: list[Measurement], bones: _ComparedBones, specimen: str
) -> pd.DataFrame:
    """The known specimens' values at the size of a query: a row for each of both."""
    known, at = bones.known, bones.log_size[bones.specimen.index(specimen)]
    taxon, names = bones.taxon[known], np.array(bones.specimen, dtype=object)[known]
    moved = values_at_size(measured[known], family, taxon, bones.log_size[known], float(at))
    return _tidy(moved, family, "known_specimen", names, taxon).assign(specimen=specimen)


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


def _widths(family: list[Measurement], bones: _ComparedBones) -> dict[str, bool]:
    """Which measurements are distances across the bone."""
    return {
        m.name: m.kind == "distance"
        and bones.directions.is_width(bones.mean[m.points[1]] - bones.mean[m.points[0]])
        for m in family
    }


def _measurement_tables(
    bones: _ComparedBones, scheme: Scheme, compared: dict[str, list[str]], trouble: Trouble
) -> dict[str, list[pd.DataFrame]]:
    """Take all measurements, and hold the queries' against those of the taxa."""
    X = np.where(bones.missing[..., None], np.nan, bones.in_mm)
    landmarks = [p for p, kind in zip(bones.point, bones.kind, strict=True) if kind == "landmark"]
    known, role = bones.known, np.where(bones.known, "known", "query")
    asked = [bones.specimen.index(name) for name in compared]
    values, summaries, rankings, ranges, at_size = (list[pd.DataFrame]() for _ in range(5))
    named = {one.name for one in scheme.measurements}
    chosen = set(named)
    for whole in _families(scheme, bones.point, landmarks):
        family, images, other = whole, None, {}
        if bones.partners is not None:
            family, images = mirror_images(whole, bones.partners, bones.point)
            other = {m.name: i.name for m, i in zip(family, images, strict=True) if i is not None}
            left = sorted(({m.name for m in whole} - {m.name for m in family}) & named)
            for name in left:
                trouble.note("", "mirrors_another", measurement=name)
        measured = measure(X, family, images)
        table = _tidy(measured, family, "specimen", bones.specimen, bones.taxon)
        values.append(table.assign(role=np.tile(role, len(family))))
        summaries.append(taxon_measurements(measured[known], family, bones.taxon[known]))
        widths = _widths(family, bones)
        for heeded in (False, True) if asked else ():
            try:
                found = compare_measurements(
                    measured[known],
                    family,
                    bones.taxon[known],
                    measured[asked],
                    names=list(compared),
                    log_size=bones.log_size[known] if heeded else None,
                    query_log_size=bones.log_size[asked] if heeded else None,
                )
            except Refusal as error:
                trouble.refused(f"{family[0].kind}s", error, size_heeded=heeded)
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
    for one in scheme.measurements:
        lost = sorted(set(one.points) - set(bones.point))
        if lost:
            trouble.note("", "not_measured", measurement=one.name, landmarks=lost)
    return {
        "measurements": [table[table["measurement"].isin(chosen)] for table in values],
        "measurements_at_size": at_size,
        "measurement_summary": summaries,
        "measurement_ranking": rankings,
        "measurement_ranges": [table[table["measurement"].isin(chosen)] for table in ranges],
    }


def run(config: StudyConfig, element: str, results: ElementResults) -> None:
    """Write displacements, regions and measurements."""
    scheme = read_scheme(config.scheme_path(element), element)
    bones = _ComparedBones(results, scheme)
    taxa = np.unique(bones.taxon[bones.known]).astype(str).tolist()
    compared = _compared(results, config.settings.differences.against, taxa)
    own = results.notes("place")["own_slopes"]
    trouble = Trouble()
    tables = _displacements(bones, scheme, compared, own, trouble)
    more = _measurement_tables(bones, scheme, compared, trouble)
    for name, table in (tables | more).items():
        results.write_table(name, table)
    results.write_notes("differ", {"trouble": trouble.rows})
