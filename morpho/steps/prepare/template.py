"""Patches: which specimen is the template, and its placed points."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morpho.shape.superimposition import GeneralizedProcrustes, procrustes_distance
from morpho.steps.prepare.averaged import average_bones
from morpho.study.landmarks.reading import DIGITISATION
from morpho.study.scheme.reading import Patch, Scheme

__all__ = ["Template", "template_of"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Template:
    """The specimen that carries the placed points of a patch.

    Attributes
    ----------
    patch : str
    specimen : str
    points : ndarray of shape (n_points, 3)
        In mm, as its scan lies.
    """

    patch: str
    specimen: str
    points: Array


def _placed(rows: pd.DataFrame, patch: str) -> dict[str, Array]:
    """Points of a patch by specimen: of the first digitisation that has them."""
    numbers = rows["landmark"].str.extract(rf"^{patch}\.(\d+)$")[0]
    chosen = rows[numbers.notna()].assign(number=numbers.dropna().astype(int))
    chosen = chosen.dropna(subset=["x", "y", "z"]).sort_values([*DIGITISATION, "number"])
    found: dict[str, Array] = {}
    for key, part in chosen.groupby(list(DIGITISATION)):
        found.setdefault(str(key[0]), part[["x", "y", "z"]].to_numpy(float))
    return found


def _nearest_to_mean(rows: pd.DataFrame, scheme: Scheme, candidates: Sequence[str]) -> str:
    """The candidate whose shape is nearest to the mean of all complete bones."""
    bones = average_bones(rows, scheme, curves=False)
    complete = np.asarray(~np.isnan(bones.landmarks).any(axis=(1, 2)))
    X = bones.landmarks[complete]
    names = [name for name, kept in zip(bones.specimens, complete, strict=True) if kept]
    able = [name for name in candidates if name in names]
    if len(X) < 3 or not able:
        return candidates[0]
    mean = GeneralizedProcrustes().fit(X).mean_
    distances = procrustes_distance(X, mean[None])
    return min(able, key=lambda name: (distances[names.index(name)], name))


def template_of(
    patch: Patch, rows: pd.DataFrame, scheme: Scheme, known: Sequence[str]
) -> Template | None:
    """Find the template of a patch: the one chosen, or of those placed the one nearest the mean.

    Parameters
    ----------
    patch : Patch
    rows : DataFrame
        Landmark tables of the element.
    scheme : Scheme
    known : sequence of str
        Known specimens.

    Returns
    -------
    Template or None
        None where the patch was placed on no specimen that may serve.
    """
    placed = _placed(rows, patch.name)
    if patch.template is not None:
        if patch.template not in placed:
            return None
        return Template(patch.name, patch.template, placed[patch.template])
    candidates = sorted(set(placed) & set(known)) or sorted(placed)
    if not candidates:
        return None
    name = candidates[0]
    if len(candidates) > 1:
        name = _nearest_to_mean(rows[rows["specimen"].isin(known)], scheme, candidates)
    return Template(patch.name, name, placed[name])
