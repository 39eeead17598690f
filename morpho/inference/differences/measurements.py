"""Distances, angles and ratios between landmarks, and their ranges in each taxon."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from morpho.inference.differences.ranges import TaxonRanges, check_names
from morpho.inference.models.design import InferenceError

__all__ = [
    "Measurement",
    "all_distances",
    "check_measured",
    "measure",
    "measurement_columns",
    "named_measurement",
    "ratios",
    "taxon_measurements",
]

Array = NDArray[np.float64]

_KINDS = {2: "distance", 3: "angle", 4: "ratio"}
_UNITS = {"distance": "mm", "angle": "degrees", "ratio": "ratio"}


@dataclass(frozen=True)
class Measurement:
    """A distance, an angle or a ratio between landmarks, by the number of its points.

    Attributes
    ----------
    name : str
    points : tuple of int
        Indices of landmarks. Two: their distance, in the unit of the coordinates (mm). Three:
        the angle at the second, in degrees. Four: the distance of the first two divided by that
        of the last two.
    """

    name: str
    points: tuple[int, ...]

    def __post_init__(self) -> None:
        """Refuse points that measure nothing."""
        p = self.points
        if len(p) not in _KINDS:
            raise InferenceError(
                f"The measurement {self.name!r} has {len(p)} landmarks: 2 make a distance, 3 an "
                "angle, 4 a ratio of two distances."
            )
        pairs = [p[:2], p[2:]] if len(p) == 4 else [p]
        if any(len(set(pair)) < len(pair) for pair in pairs):
            raise InferenceError(
                f"The measurement {self.name!r} names a landmark twice: nothing lies between."
            )

    @property
    def kind(self) -> str:
        """`distance`, `angle` or `ratio`."""
        return _KINDS[len(self.points)]

    @property
    def unit(self) -> str:
        """`mm`, `degrees` or `ratio`."""
        return _UNITS[self.kind]


def named_measurement(name: str, points: Sequence[str], landmarks: Sequence[str]) -> Measurement:
    """Return a measurement between landmarks given by name.

    Parameters
    ----------
    name : str
        Of the measurement; blank for one made of its landmarks.
    points : sequence of str
        Two, three or four landmarks, see `Measurement`.
    landmarks : sequence of str
        All landmarks, in the order of the coordinates.

    Returns
    -------
    Measurement

    Raises
    ------
    InferenceError
        If a landmark is unknown, or the points measure nothing.

    Examples
    --------
    >>> named_measurement("", ["tip", "base", "notch"], ["base", "notch", "tip"])
    Measurement(name='angle at base from tip to notch', points=(2, 0, 1))
    """
    known = check_names(landmarks, len(landmarks), "landmarks")
    unknown = [point for point in points if point not in known]
    if unknown:
        raise InferenceError(
            f"The measurement {name!r} has no landmark {unknown[0]!r} to go by; there are "
            f"{', '.join(map(str, known))}."
        )
    if not name and len(points) in _KINDS:
        p = list(points)
        name = {
            2: f"{p[0]} to {p[1]}",
            3: f"angle at {p[1]} from {p[0]} to {p[-1]}",
            4: f"{p[0]} to {p[1]} by {p[-2]} to {p[-1]}",
        }[len(p)]
    return Measurement(name, tuple(known.index(point) for point in points))


def all_distances(landmarks: Sequence[str], use: Sequence[str] | None = None) -> list[Measurement]:
    """Distances between all pairs of landmarks.

    Parameters
    ----------
    landmarks : sequence of str
        All points, in the order of the coordinates.
    use : sequence of str, optional
        Those that take part; all by default. Semilandmarks should not: their places along a
        curve were chosen by sliding, not by anatomy.

    Returns
    -------
    list of Measurement

    Raises
    ------
    InferenceError
        If a landmark is unknown or named twice.
    """
    known = check_names(landmarks, len(landmarks), "landmarks")
    used = known if use is None else check_names(use, len(use), "landmarks")
    places = {name: place for place, name in enumerate(known)}
    unknown = [name for name in used if name not in places]
    if unknown:
        raise InferenceError(f"There is no landmark {unknown[0]!r} to measure from.")
    return [Measurement(f"{a} to {b}", (places[a], places[b])) for a, b in combinations(used, 2)]


def ratios(distances: Sequence[Measurement], standard: Measurement) -> list[Measurement]:
    """Distances divided by a standard length.

    Parameters
    ----------
    distances : sequence of Measurement
        The standard itself, and what is no distance, is passed over.
    standard : Measurement
        A distance.

    Returns
    -------
    list of Measurement

    Raises
    ------
    InferenceError
        If the standard is no distance.
    """
    if standard.kind != "distance":
        raise InferenceError(
            f"The standard length must be a distance, but {standard.name!r} is "
            f"{'an angle' if standard.kind == 'angle' else 'a ratio'}."
        )
    return [
        Measurement(f"{d.name} by {standard.name}", (*d.points, *standard.points))
        for d in distances
        if d.kind == "distance" and set(d.points) != set(standard.points)
    ]


def measure(
    X: ArrayLike,
    measurements: Sequence[Measurement],
    images: Sequence[Measurement | None] | None = None,
) -> Array:
    r"""Take measurements on configurations.

    Parameters
    ----------
    X : array-like of shape (n_specimens, n_landmarks, n_dimensions)
        Coordinates in mm, *not* scaled to one size; in any pose. Missing ones are NaN.
    measurements : sequence of Measurement
    images : sequence of Measurement or None, optional
        The measurement on the other side for each, see `mirror_images`: the mean of both sides
        is taken, or the one side that is there.

    Returns
    -------
    ndarray of shape (n_specimens, n_measurements)
        NaN where a landmark is missing, where an arm of an angle has no length, and where a
        standard length is 0.

    Raises
    ------
    InferenceError
        If `X` is no array of configurations, or lacks a landmark of a measurement.

    Notes
    -----
    The angle between vectors :math:`a` and :math:`b` is
    :math:`2 \arctan(\lVert u - v \rVert / \lVert u + v \rVert)` with
    :math:`u = \lVert b \rVert a` and :math:`v = \lVert a \rVert b`, exact for small and for
    flat angles too (Kahan 2006, How futile are mindless assessments of roundoff;
    cited from memory).

    Examples
    --------
    >>> triangle = [[[0.0, 0.0], [4.0, 0.0], [4.0, 3.0]]]
    >>> measure(triangle, [Measurement("long side", (0, 2)), Measurement("corner", (0, 1, 2))])
    array([[ 5., 90.]])
    """
    X = np.asarray(X, dtype=float)
    if X.ndim != 3 or X.shape[2] not in (2, 3):
        raise InferenceError(
            f"`X` must have shape (n_specimens, n_landmarks, 2 or 3), but has shape {X.shape}."
        )
    if np.isinf(X).any():
        raise InferenceError("`X` holds infinite coordinates.")
    for m in measurements:
        if min(m.points) < 0 or max(m.points) >= X.shape[1]:
            raise InferenceError(
                f"The measurement {m.name!r} goes by landmarks {list(m.points)} (counted from 0), "
                f"but there are {X.shape[1]}."
            )
    result = np.empty((len(X), len(measurements)))
    for count, formula in ((2, _distance), (3, _angle), (4, _ratio)):
        columns = [i for i, m in enumerate(measurements) if len(m.points) == count]
        if columns:
            result[:, columns] = formula(X, np.array([measurements[i].points for i in columns]).T)
    if images is None:
        return result
    two = [i for i, image in enumerate(images) if image is not None]
    if two:
        far = measure(X, [image for image in images if image is not None])
        near = result[:, two]
        both = (near + far) / 2
        result[:, two] = np.where(np.isnan(near), far, np.where(np.isnan(far), near, both))
    return result


def _distance(X: Array, points: NDArray[np.intp]) -> Array:
    return np.linalg.norm(X[:, points[0]] - X[:, points[1]], axis=2)


def _angle(X: Array, points: NDArray[np.intp]) -> Array:
    a, b = X[:, points[0]] - X[:, points[1]], X[:, points[2]] - X[:, points[1]]
    lengths = np.linalg.norm(a, axis=2), np.linalg.norm(b, axis=2)
    u, v = lengths[1][..., None] * a, lengths[0][..., None] * b
    angle = 2 * np.arctan2(np.linalg.norm(u - v, axis=2), np.linalg.norm(u + v, axis=2))
    return np.degrees(np.where(lengths[0] * lengths[1] > 0, angle, np.nan))


def _ratio(X: Array, points: NDArray[np.intp]) -> Array:
    standard = _distance(X, points[2:])
    return _distance(X, points[:2]) / np.where(standard > 0, standard, np.nan)


def check_measured(values: ArrayLike, measurements: Sequence[Measurement], name: str) -> Array:
    """Return measured values with a column for each of the measurements.

    Parameters
    ----------
    values : array-like of shape (n_specimens, n_measurements)
    measurements : sequence of Measurement
    name : str
        How the values are called in messages.

    Returns
    -------
    ndarray of shape (n_specimens, n_measurements)

    Raises
    ------
    InferenceError
        If the columns are not as many, or two measurements have one name.
    """
    y = np.asarray(values, dtype=float)
    if y.ndim != 2 or y.shape[1] != len(measurements) or y.shape[1] == 0:
        raise InferenceError(
            f"`{name}` must have a column for each of the {len(measurements)} measurements, but "
            f"has shape {y.shape}."
        )
    check_names([m.name for m in measurements], len(measurements), "measurements")
    return y


def measurement_columns(
    measurements: Sequence[Measurement], index: NDArray[np.intp]
) -> dict[str, NDArray]:
    """Columns that say what was measured: `measurement`, `kind` and `unit`.

    Parameters
    ----------
    measurements : sequence of Measurement
    index : ndarray of int, of shape (n_rows,)
        The measurement of each row.

    Returns
    -------
    dict of str to ndarray of shape (n_rows,)
    """
    columns = {
        "measurement": [m.name for m in measurements],
        "kind": [m.kind for m in measurements],
        "unit": [m.unit for m in measurements],
    }
    return {name: np.array(values, dtype=object)[index] for name, values in columns.items()}


def taxon_measurements(
    values: ArrayLike, measurements: Sequence[Measurement], taxa: ArrayLike
) -> pd.DataFrame:
    """Number, range, mean and standard deviation of each measurement in each taxon.

    Parameters
    ----------
    values : array-like of shape (n_specimens, n_measurements)
        Of known specimens, as `measure` gives them.
    measurements : sequence of Measurement
    taxa : array-like of shape (n_specimens,)

    Returns
    -------
    DataFrame
        A row for each measurement and taxon, with the columns `measurement`, `kind`, `unit`,
        `taxon`, `specimens`, `minimum`, `maximum`, `mean`, `standard_deviation` (NaN for fewer
        than two specimens).

    Raises
    ------
    InferenceError
        If the arrays do not fit together.
    """
    y = check_measured(values, measurements, "values")
    model = TaxonRanges().fit(y, taxa)
    found = model.compare(np.full((1, y.shape[1]), np.nan))
    G = len(found.taxa)
    columns = measurement_columns(measurements, np.repeat(np.arange(len(measurements)), G))
    columns["taxon"] = np.tile(found.taxa, len(measurements))
    columns["specimens"] = found.specimens.T.ravel()
    for name in ("minimum", "maximum", "mean"):
        columns[name] = getattr(found, name)[0].T.ravel()
    columns["standard_deviation"] = found.standard_deviation.T.ravel()
    return pd.DataFrame(columns)
