"""Landmarks on the midline: do they lie on the plane between the left and the right ones?"""

from __future__ import annotations

from statistics import median

import numpy as np
from numpy.typing import ArrayLike, NDArray

from morpho.study.landmarks.digitised import Digitised, each_digitisation

__all__ = ["check_midline", "midline_plane"]

# Farther off the plane than this share of the bone's largest extent is far,
FAR_SHARE = 0.05
# if it is also this many times what midline landmarks of the element usually are off.
TIMES_USUAL = 5.0
# Fewer pairs than this say little about a plane.
FEWEST_PAIRS = 2
# Rounds of weighting down the pairs that fit badly, and the misfit, in robust standard
# deviations, from which a pair is weighted down (Huber's constant).
ROUNDS = 20
HUBER = 1.345

Points = NDArray[np.float64]


def midline_plane(left: ArrayLike, right: ArrayLike) -> tuple[Points, float]:
    r"""Fit the plane of symmetry to pairs of landmarks.

    With the differences ``d`` of each pair and its midpoints ``m``, the unit normal ``n`` of the
    plane that best takes each landmark to its partner is the first eigenvector of ``sum w (d d' / 4
    - (m - m0)(m - m0)')``, where ``m0`` is the weighted mean of the midpoints. The weights ``w``
    are Huber's, so that one slipped pair does not tilt the plane.

    It gives the unit normal, from right to left, and the offset: points ``x`` on the plane have
    ``normal @ x == offset``.

    References
    ----------
    Huber, P. J. (1964). Robust estimation of a location parameter. Annals of Mathematical
    Statistics, 35, 73-101.

    Examples
    --------
    >>> normal, offset = midline_plane([[1, 0, 0], [2, 3, 1]], [[-1, 0, 0], [-2, 3, 1]])
    >>> [round(abs(float(part)), 6) for part in (*normal, offset)]
    [1.0, 0.0, 0.0, 0.0]
    """
    left, right = np.asarray(left, dtype=np.float64), np.asarray(right, dtype=np.float64)
    d, m = left - right, (left + right) / 2
    w = np.ones(len(d))
    for _ in range(ROUNDS):
        m0 = np.average(m, axis=0, weights=w)
        spread = (d.T * w) @ d / 4 - ((m - m0).T * w) @ (m - m0)
        n = np.linalg.eigh(spread)[1][:, -1]
        across = d - np.outer(d @ n, n)
        misfit = np.sqrt(np.square(across).sum(axis=1) / 4 + np.square((m - m0) @ n))
        scale = 1.4826 * float(np.median(misfit))
        if scale <= 1e-12 * float(np.abs(d).max()):
            break
        w = np.minimum(1.0, HUBER * scale / np.maximum(misfit, np.finfo(float).tiny))
    n = n if (d @ n).sum() >= 0 else -n
    return n, float(np.average(m, axis=0, weights=w) @ n)


def check_midline(of: Digitised) -> None:
    """Check that the midline landmarks of each digitisation lie near its plane of symmetry.

    Told is a landmark that is farther off than a twentieth of the bone's extent and than five times
    what such landmarks usually are. Specimens listed under ``preparation: distortion`` are left
    out: they are known to be bent.
    """
    scheme, landmarks = of.scheme, of.landmarks
    if scheme.symmetry != "object":
        return
    measured = []
    fixed = landmarks[landmarks["landmark"].isin(scheme.landmark_names) & landmarks["x"].notna()]
    for specimen, label, rows in each_digitisation(fixed):
        points = rows[["x", "y", "z"]].to_numpy(dtype=np.float64)
        at = {name: i for i, name in enumerate(rows["landmark"])}
        pairs = [(at[a], at[b]) for a, b in scheme.pairs if a in at and b in at]
        extent = float(np.ptp(points, axis=0).max())
        if len(pairs) < FEWEST_PAIRS or extent == 0:
            continue
        left, right = np.array(pairs).T
        normal, offset = midline_plane(points[left], points[right])
        for name in (name for name in scheme.midline if name in at):
            distance = abs(float(points[at[name]] @ normal) - offset)
            measured.append((specimen, label, rows.iloc[at[name]], distance, distance / extent))
    usual = median(share for *_, share in measured) if measured else 0.0
    for specimen, label, row, distance, share in measured:
        distorted = specimen in of.config.settings.preparation.distortion
        if share > max(FAR_SHARE, TIMES_USUAL * usual) and not distorted:
            of.at(row).warning(
                f"The landmark is {distance:.2f} mm off the plane between left and right"
                f"{label}, {share:.0%} of the bone's extent, though it is on the midline.",
                "Look whether it slipped, or whether the bone is distorted: then list the specimen "
                "under preparation: distortion.",
            )
