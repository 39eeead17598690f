"""Tables of measurements: values, ranges within taxa, and how well they set queries apart."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morpho.inference.data.mirror_images import mirror_images
from morpho.inference.differences.measurements import (
    Measurement,
    all_distances,
    measure,
    named_measurement,
    ratios,
    taxon_measurements,
)
from morpho.inference.differences.ranking import compare_measurements, values_at_size
from morpho.results.directions import larger_words
from morpho.shape.checks import Refusal
from morpho.steps.show.compared_bones import ComparedBones
from morpho.steps.trouble import Trouble
from morpho.study.scheme.reading import Scheme

__all__ = ["measurement_tables"]

Array = NDArray[np.float64]

# Values of single specimens, and ranges beside a query's value, are written of measurements
# that are named in the scheme or rank up to here: as many as the figures may be asked to draw.
_KEPT = 40


def _compared_lengths(ratio: Measurement) -> tuple[frozenset[int], frozenset[int]]:
    """Ends of the two distances of a ratio, whichever way they run."""
    return frozenset(ratio.points[:2]), frozenset(ratio.points[2:])


def _tidy(measured: Array, family: list[Measurement], bones: ComparedBones) -> pd.DataFrame:
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
    measured: Array, family: list[Measurement], bones: ComparedBones, specimen: str
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
        }
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


def _widths(family: list[Measurement], bones: ComparedBones) -> dict[str, bool]:
    """Which measurements are distances across the bone."""
    return {
        m.name: m.kind == "distance"
        and bones.directions.is_width(bones.mean[m.points[1]] - bones.mean[m.points[0]])
        for m in family
    }


def measurement_tables(
    bones: ComparedBones, scheme: Scheme, compared: dict[str, list[str]], trouble: Trouble
) -> dict[str, list[pd.DataFrame]]:
    """Take all measurements, and hold the queries' against those of the taxa.

    Parameters
    ----------
    bones : ComparedBones
    scheme : Scheme
    compared : dict of str to list of str
        Taxa by query; queries that are not judged are left out.
    trouble : Trouble
        Takes what was left out, and why.

    Returns
    -------
    dict of str to list of DataFrame
        Parts of each table: values, ranges within taxa, and measurements ranked by how well they
        set queries apart.
    """
    X = np.where(bones.missing[..., None], np.nan, bones.in_mm)
    landmarks = [p for p, kind in zip(bones.point, bones.kind, strict=True) if kind == "landmark"]
    known = bones.known
    asked = [bones.specimen.index(name) for name in compared]
    values: list[pd.DataFrame] = []
    summaries: list[pd.DataFrame] = []
    rankings: list[pd.DataFrame] = []
    ranges: list[pd.DataFrame] = []
    at_size: list[pd.DataFrame] = []
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
    _tell_left_out(scheme, bones.point, trouble)
    return {
        "measurements": [table[table["measurement"].isin(chosen)] for table in values],
        "measurements_at_size": at_size,
        "measurement_summary": summaries,
        "measurement_ranking": rankings,
        "measurement_ranges": [table[table["measurement"].isin(chosen)] for table in ranges],
    }


def _tell_left_out(scheme: Scheme, points: list[str], trouble: Trouble) -> None:
    """Measurements of the scheme whose landmarks do not all take part."""
    for one in scheme.measurements:
        lost = sorted(set(one.points) - set(points))
        if lost:
            trouble.note("", "not_measured", measurement=one.name, landmarks=lost)
