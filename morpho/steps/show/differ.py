"""Differ: where each query differs from its nearest taxon, in mm, and which measurements tell."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from morpho.inference.differences.displacement import displacement
from morpho.inference.differences.prediction import TaxonPrediction, predict_taxon
from morpho.inference.differences.regions import region_displacements
from morpho.results.store import ElementResults
from morpho.shape.checks import Refusal
from morpho.steps.show.compared_bones import ComparedBones, compared_bones
from morpho.steps.show.measurement_tables import measurement_tables
from morpho.steps.trouble import Trouble
from morpho.study.scheme.reading import Scheme, read_scheme

if TYPE_CHECKING:
    from morpho.study.settings.config import StudyConfig

__all__ = ["run"]

Array = NDArray[np.float64]

_STEPS = ["x_mm", "y_mm", "z_mm"]


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
    bones: ComparedBones, taxon: str, query: int, heeded: bool, own: Sequence[str]
) -> TaxonPrediction:
    known = bones.known
    size, at = (bones.log_size[known], float(bones.log_size[query])) if heeded else (None, None)
    return predict_taxon(
        bones.shapes[known], bones.taxon[known], taxon, size, at, own_slopes=own if heeded else ()
    )


def _regions(bones: ComparedBones, scheme: Scheme) -> dict[str, list[int]]:
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


def _other_sides(bones: ComparedBones, places: Sequence[int]) -> list[str]:
    """Names of the mirror images of points; blank where there is none but the point itself."""
    if bones.partners is None:
        return [""] * len(places)
    others = [int(bones.partners[i]) for i in places]
    return ["" if i == j else bones.point[j] for i, j in zip(places, others, strict=True)]


def _displacements(
    bones: ComparedBones,
    scheme: Scheme,
    compared: dict[str, list[str]],
    own: Sequence[str],
    trouble: Trouble,
) -> dict[str, list[Any]]:
    """Displacements of landmarks and of regions, and how the two fits agree."""
    definitions = {landmark.name: landmark.definition for landmark in scheme.landmarks}
    regions = _regions(bones, scheme)
    # two families: what is said of landmarks must hold among landmarks
    families = np.where(bones.kind == "landmark", "landmark", "semilandmark")
    moved, parts, fits = [], [], []
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


def run(config: StudyConfig, element: str, results: ElementResults) -> None:
    """Write displacements, regions and measurements."""
    scheme = read_scheme(config.scheme_path(element), element)
    bones = compared_bones(results, scheme)
    taxa = np.unique(bones.taxon[bones.known]).astype(str).tolist()
    compared = _compared(results, config.settings.differences.against, taxa)
    own = results.notes("place")["own_slopes"]
    trouble = Trouble()
    tables = _displacements(bones, scheme, compared, own, trouble)
    more = measurement_tables(bones, scheme, compared, trouble)
    for name, table in (tables | more).items():
        results.write_table(name, table)
    results.write_notes("differ", {"trouble": trouble.rows})
