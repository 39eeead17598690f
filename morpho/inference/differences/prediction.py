"""What a taxon's specimens would look like at the size of a query, and how far they stray."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from morpho.inference.models.allometry import check_size
from morpho.inference.models.design import InferenceError, indicator
from morpho.inference.models.slopes import slope_basis
from morpho.shape.checks import check_configurations

__all__ = ["TaxonPrediction", "predict_taxon"]

Array = NDArray[np.float64]

_TIE = 1e-10
# Superimposed configurations lie about the origin and have about unit size; in tangent space, a
# form at distance d from the mean has size sqrt(1 + d^2).
_OFF_CENTRE = 1e-6
_SIZES = (0.8, 1.25)
# A specimen with less than this left of its own variance is fitted exactly.
_ALONE = 1e-9


def _check_superimposed(X: Array, what: str) -> None:
    middle = X.mean(axis=1, keepdims=True)
    size = np.sqrt(((X - middle) ** 2).sum(axis=(1, 2)))
    off = (np.abs(middle).max(axis=(1, 2)) > _OFF_CENTRE) | (size < _SIZES[0]) | (size > _SIZES[1])
    if off.any():
        raise InferenceError(
            f"{what} must be superimposed first, and of unit centroid size; one found has size "
            f"{size[off][0]:.3g}.",
            "too_far",
            who="query" if what == "The query" else "known",
        )


@dataclass(frozen=True)
class TaxonPrediction:
    """The predicted configuration of a taxon, and deviations of known specimens from theirs.

    It says nothing of the model behind it: any linear model of shape will do.

    Attributes
    ----------
    taxon : str
    shape : ndarray of shape (n_landmarks, n_dimensions)
        Predicted configuration, of about unit centroid size.
    residuals : ndarray of shape (n_specimens, n_landmarks, n_dimensions)
        Deviations of all known specimens from what the model says of them.
    member : ndarray of bool, of shape (n_specimens,)
        Which of them belong to the taxon.
    degrees_of_freedom : int
        Of all residuals.
    leverages : ndarray of shape (n_specimens,)
        Diagonal of the model's hat matrix: 1 / (size of the taxon) where means are fitted.
    leverage : float
        The same of the query, not one of the specimens: its prediction varies with this many
        times the variance of a single specimen.
    pull : ndarray of shape (n_specimens,)
        Part of the query's deviation that the residual of each specimen falls by once the
        query has joined the taxon and the model is fitted anew.
    """

    taxon: str
    shape: Array
    residuals: Array
    member: NDArray[np.bool_]
    degrees_of_freedom: int
    leverages: Array
    leverage: float
    pull: Array

    def deviation(self, query: ArrayLike) -> Array:
        """Vectors from the predicted landmarks to those of a query.

        Parameters
        ----------
        query : array-like of shape (n_landmarks, n_dimensions)
            Superimposed, as the configurations that the prediction was made from.

        Returns
        -------
        ndarray of shape (n_landmarks, n_dimensions)

        Raises
        ------
        InferenceError
            If it has other landmarks or missing ones, or is not superimposed.
        """
        X = np.asarray(query, dtype=float)
        if X.shape != self.shape.shape:
            raise InferenceError(
                f"The query must have shape {self.shape.shape}, as the prediction, but has shape "
                f"{X.shape}."
            )
        missing = np.flatnonzero(~np.isfinite(X).all(axis=1))
        if missing.size:
            raise InferenceError(
                f"The query lacks landmarks {missing.tolist()} (counted from 0): estimate them "
                "first, or leave them out of the prediction too."
            )
        _check_superimposed(X[None], "The query")
        return X - self.shape

    def joined(self, deviation: Array) -> tuple[Array, Array]:
        """Residuals of the known specimens once the query has joined the taxon.

        Parameters
        ----------
        deviation : ndarray of shape (n_landmarks, n_dimensions)
            Of the query.

        Returns
        -------
        residuals : ndarray of shape (n_specimens, n_landmarks, n_dimensions)
            Those of the query itself are `deviation` / (1 + leverage).
        room : ndarray of shape (n_specimens,)
            1 - leverage of each specimen in the model with the query; that of the query is
            1 / (1 + leverage).
        """
        moved = self.residuals - self.pull[:, None, None] * deviation
        return moved, 1 - self.leverages + self.pull**2 * (1 + self.leverage)

    def rank_p_values(
        self, known: Array, query: Array, room: Array, *, all_taxa: bool = False
    ) -> Array:
        """Share of members, the query among them, that have at least as large a statistic.

        Parameters
        ----------
        known : ndarray of shape (n_specimens, n_statistics)
            Of the joined residuals, see `joined`.
        query : ndarray of shape (n_statistics,)
        room : ndarray of shape (n_specimens,)
            A specimen without room, alone in its taxon, is not ranked.
        all_taxa : bool
            Rank among specimens of all taxa, which assumes that they spread alike.

        Returns
        -------
        ndarray of shape (n_statistics,)
            At least 1 / (number of specimens ranked + 1).
        """
        among = (room > _ALONE) & (True if all_taxa else self.member)
        reached = known[among] >= query * (1 - _TIE)
        return (reached.sum(axis=0) + 1) / (int(among.sum()) + 1)

    def spread(self, *, pooled: bool = True) -> tuple[NDArray[np.bool_], float]:
        """Which specimens tell the variation within the taxon, and its degrees of freedom.

        Parameters
        ----------
        pooled : bool
            From all taxa, or from the members alone.

        Returns
        -------
        used : ndarray of bool, of shape (n_specimens,)
        degrees_of_freedom : float
            Of the members alone the sum of 1 - leverage.
        """
        if pooled:
            return np.ones(len(self.member), dtype=bool), float(self.degrees_of_freedom)
        return self.member, float((1 - self.leverages[self.member]).sum())


def predict_taxon(
    X: ArrayLike,
    labels: ArrayLike,
    taxon: str,
    size: ArrayLike | None = None,
    query_size: float | None = None,
    *,
    own_slopes: Sequence[str] = (),
) -> TaxonPrediction:
    r"""Predict the configuration of a taxon: its mean, or its shape at the size of a query.

    Parameters
    ----------
    X : array-like of shape (n_specimens, n_landmarks, n_dimensions)
        Known specimens, superimposed and of unit centroid size (or their tangent coordinates
        added to the mean shape).
    labels : array-like of shape (n_specimens,)
        Their taxa.
    taxon : str
        The one to predict.
    size : array-like of shape (n_specimens,), optional
        Log centroid sizes; given, the prediction is made at the size of the query.
    query_size : float, optional
        Log centroid size of the query, needed with `size`.
    own_slopes : sequence of str
        Taxa with a growth line of their own; the others share one.

    Returns
    -------
    TaxonPrediction

    Raises
    ------
    ShapeError
        If `X` holds no proper configurations.
    InferenceError
        If `X` is not superimposed, the arrays do not fit together, the taxon is unknown, no
        degree of freedom is left within taxa, or sizes do not vary where a slope is needed.

    Notes
    -----
    The model of `morpho.inference.membership.known_taxa.KnownTaxa`: a mean for each taxon and,
    with size :math:`x`, one slope within taxa (or slopes of their own). With an orthonormal basis
    :math:`Q` of its columns and the query's row :math:`q` in it, residuals are
    :math:`(I - Q Q^\top) X`, leverages :math:`h_{ii} = \lVert Q_i \rVert^2` and
    :math:`h = \lVert q \rVert^2`, and the pull on specimen :math:`i` is
    :math:`Q_i^\top q / (1 + h)`.
    """
    X = check_configurations(X, least=2)
    _check_superimposed(X, "Known specimens")
    n = len(X)
    taxa, columns = indicator(labels, n)
    here = np.flatnonzero(taxa.astype(str) == str(taxon))
    if not here.size:
        raise InferenceError(f"No taxon {taxon!r}; there are {taxa.tolist()}.")
    g = int(here[0])
    if (size is None) != (query_size is None):
        raise InferenceError("`size` and `query_size` are given together or not at all.")
    counts = columns.sum(axis=0)
    basis, row = columns / np.sqrt(counts), np.eye(len(taxa))[g] / np.sqrt(counts[g])
    if size is not None and query_size is not None:
        x = check_size(size, n)
        at = float(check_size([query_size], 1)[0])
        extra, slope_of, lengths = slope_basis(x, taxa, columns, own_slopes)
        along = np.zeros(len(lengths))
        along[slope_of[g]] = (at - float(x @ columns[:, g] / counts[g])) / lengths[slope_of[g]]
        basis, row = np.hstack([basis, extra]), np.concatenate([row, along])
    v = n - basis.shape[1]
    if v < 1:
        raise InferenceError(
            f"{n} specimens in {len(taxa)} taxa leave no variation within taxa to judge by.",
            "few_per_taxon",
            specimens=n,
            taxa=len(taxa),
        )
    flat = X.reshape(n, -1)
    fits = basis.T @ flat
    h = float(row @ row)
    return TaxonPrediction(
        taxon=str(taxon),
        shape=(row @ fits).reshape(X.shape[1:]),
        residuals=(flat - basis @ fits).reshape(X.shape),
        member=columns[:, g] > 0,
        degrees_of_freedom=v,
        leverages=(basis**2).sum(axis=1),
        leverage=h,
        pull=basis @ row / (1 + h),
    )
