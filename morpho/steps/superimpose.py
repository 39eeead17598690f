"""Superimpose: known specimens make the frame, queries are fitted to it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from morpho.shape.orientation import anatomical_frame
from morpho.shape.superimposition import GeneralizedProcrustes, centroid_size
from morpho.shape.tangent import TangentSpace
from morpho.steps.configurations import tidy
from morpho.steps.files import ElementResults
from morpho.study.config import StudyConfig
from morpho.study.scheme import Scheme, read_scheme

__all__ = ["run"]


def _frame(scheme: Scheme, mean: np.ndarray, landmarks: list[str]) -> tuple[np.ndarray, list[str]]:
    """Rotation to the scheme's anatomical axes, and what each axis points towards."""
    x, y, z = (scheme.axes.get(key) for key in "xyz")
    named = [axis for axis in (x, y) if axis is not None and axis.start and axis.end]
    ends = [name for axis in named for name in (axis.start, axis.end)]
    if x is None or y is None or z is None or not set(ends) <= set(landmarks):
        return np.eye(3), ["1st principal axis", "2nd principal axis", "3rd principal axis"]
    start, end, foot, head = (mean[landmarks.index(str(name))] for name in ends)
    frame = anatomical_frame(mean, end - start, head - foot)
    return frame, [x.towards, y.towards, z.towards]


def run(config: StudyConfig, element: str, results: ElementResults) -> None:
    """Write superimposed configurations, tangent coordinates and sizes."""
    given = results.arrays("prepared")
    X, known = given["coordinates"], given["known"]
    landmarks = given["landmark"].tolist()
    model = GeneralizedProcrustes().fit(X[known])
    scheme = read_scheme(config.scheme_path(element), element)
    frame, towards = _frame(scheme, model.mean_, landmarks)
    aligned, mean = model.transform(X) @ frame, model.mean_ @ frame
    tangent = TangentSpace(pole=mean).fit(aligned).transform(aligned)
    size = centroid_size(X)
    results.write_arrays(
        "superimposed",
        tangent=tangent,
        mean=mean,
        log_size=np.log(size),
        **{key: given[key] for key in ("specimen", "taxon", "known", "landmark")},
    )
    results.write_table("configurations", tidy(aligned, given["specimen"].tolist(), landmarks))
    results.write_table(
        "mean_shape", tidy(mean[None], ["mean"], landmarks).drop(columns="specimen")
    )
    results.write_table(
        "centroid_size",
        pd.DataFrame(
            {
                "specimen": given["specimen"],
                "taxon": given["taxon"],
                "role": np.where(known, "known", "query"),
                "centroid_size_mm": size,
                "log_centroid_size": np.log(size),
            }
        ),
    )
    results.write_notes(
        "superimpose",
        {
            "passes": model.n_iterations_,
            "converged": model.converged_,
            "towards": towards,
            "mean_size_mm": float(np.exp(np.log(size[known]).mean())),
        },
    )
