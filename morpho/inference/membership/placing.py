"""Placing queries among the known taxa."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from morpho.inference.membership.typicality import Evidence, Membership
from morpho.inference.models.allometry import check_size
from morpho.inference.models.design import InferenceError, check_matrix
from morpho.inference.models.ordination import axes_kept, most_axes
from morpho.inference.models.principal_axes import narrow, principal_axes

__all__ = ["COVARIANCES", "KnownTaxa"]

Array = NDArray[np.float64]

COVARIANCES = ("pooled", "shrunken", "own")

_TIE = 1e-10


def _shrunken_covariance(rest: Array, width: int) -> Array:
    """Covariance by Ledoit and Wolf of centred data in the span that they have.

    As `sklearn.covariance.ledoit_wolf` finds it with all of `width` variables at hand, most of
    them without variation; it does not hang on how many the span is written down with.
    """
    S = rest.T @ rest / len(rest)
    mean = np.trace(S) / width
    away = (S**2).sum() - width * mean**2
    noise = (((rest**2).sum(axis=1) ** 2).mean() - (S**2).sum()) / len(rest)
    shrinkage = min(noise, away) / away if away > 0 else 0.0
    return (1 - shrinkage) * S + shrinkage * mean * np.eye(len(S))


def _shrunken_ranks(model: Membership, queries: Array, at: Array | None) -> Array:
    """Pooled rank p-values by Mahalanobis distance with a shrunken covariance."""
    away, h, c = model._joining(queries, model._places(at, len(queries)))
    width = queries.shape[1]
    span = narrow(np.vstack([model.residuals_, away.reshape(-1, width)]))
    known, away = np.split(span, [len(model.residuals_)])
    away = away.reshape(*h.shape, -1)
    p = np.empty(h.shape)
    for place in np.ndindex(h.shape):
        e, part, room = away[place], c[place], 1 + h[place]
        rest = np.vstack([known - part[:, None] * e, e / room])
        room = np.append(1 - model.leverages_ + part**2 * room, 1 / room)
        inverse = np.linalg.pinv(_shrunken_covariance(rest, width), hermitian=True)
        d = np.einsum("ni,ij,nj->n", rest, inverse, rest)
        judged = room > 1e-9
        d = np.where(judged, d / np.where(judged, room, 1.0), -np.inf)
        p[place] = np.count_nonzero(d >= d[-1] * (1 - _TIE)) / np.count_nonzero(judged)
    return p


class KnownTaxa:
    """The known taxa, fitted once: along how many axes they vary, and who belongs to them.

    Typicality is judged on axes of its own for each query and taxon, see `Membership`.
    Posterior probabilities compare taxa with one another and need one set of axes for all:
    the principal axes of the known specimens.

    Parameters
    ----------
    Y : array-like of shape (n_specimens, n_variables)
        Tangent coordinates of the known specimens.
    labels : array-like of shape (n_specimens,)
        Their taxa.
    size : array-like of shape (n_specimens,), optional
        Log centroid sizes; given, each query is compared at its own size.
    own_slopes : sequence of str
        Taxa with a growth line of their own, see `slopes.own_slope_taxa`.
    axes : ndarray of shape (n_variables, n_axes), optional
        Axes for the posterior probabilities, by default the first principal axis.

    Attributes
    ----------
    model : Membership

    Raises
    ------
    InferenceError
        If the arrays do not fit together, or the known specimens are too few.
    """

    def __init__(
        self,
        Y: ArrayLike,
        labels: ArrayLike,
        size: ArrayLike | None = None,
        *,
        own_slopes: Sequence[str] = (),
        axes: Array | None = None,
    ) -> None:
        self.Y = check_matrix(Y)
        self.labels = np.asarray(labels).astype(str)
        self.size = None if size is None else check_size(size, len(self.Y))
        self.axes = principal_axes(self.Y, 1) if axes is None else axes
        self.model = Membership().fit(
            self.Y, self.Y @ self.axes, labels, self.size, own_slopes=own_slopes
        )

    def number_of_axes(
        self,
        *,
        axes: str = "share",
        share: float = 0.9,
        most: int = 10,
        random_state: int | np.random.Generator | None = None,
    ) -> tuple[int, float]:
        """Number of axes for the variation within taxa, by the rule of the shape space.

        Parameters
        ----------
        axes, share, most, random_state
            As in `ShapeSpace`; never more axes than `most_axes` allows.

        Returns
        -------
        n_axes : int
        share : float
            Share of the variance within taxa that lies along them.

        Raises
        ------
        InferenceError
            If the rule is unknown, or nothing varies within taxa.
        """
        squares = self.model.principal_axes_.squares
        some = squares > max(self.Y.shape) * np.finfo(float).eps * squares[0]
        if not some.any():
            raise InferenceError(
                "The shapes do not vary: all specimens are the same.", "same_shapes"
            )
        squares = squares[some]
        count, _ = axes_kept(
            self.model.residuals_,
            squares / (len(self.Y) - 1),
            axes=axes,
            share=share,
            most=most_axes(len(self.Y), len(self.model.taxa_), most),
            random_state=random_state,
        )
        return count, float(squares[:count].sum() / squares.sum())

    def _own_typicality(self, queries: Array, at: Array | None, n_axes: int) -> Array:
        """Typicality in each taxon by the covariance of that taxon alone."""
        taxa = self.model.taxa_.astype(str)
        p = np.full((len(queries), len(taxa)), np.nan)
        for g, taxon in enumerate(taxa):
            members = self.labels == taxon
            count = min(n_axes, most_axes(int(members.sum()), 1, n_axes))
            size = None if self.size is None else self.size[members]
            try:
                alone = KnownTaxa(self.Y[members], self.labels[members], size)
            except InferenceError:  # too few, or of one size
                continue
            p[:, g] = alone.place(queries, at, n_axes=count).typicality_probability[:, 0]
        return p

    def place(
        self,
        queries: ArrayLike,
        size: ArrayLike | None = None,
        *,
        n_axes: int,
        covariance: str = "pooled",
        within_sizes: bool = False,
    ) -> Evidence:
        """Evidence for and against each query in each taxon.

        Parameters
        ----------
        queries : array-like of shape (n_queries, n_variables)
        size : array-like of shape (n_queries,), optional
            Needed where size is heeded.
        n_axes : int
            Number of axes within taxa on which distances are measured in standard deviations.
        covariance : {'pooled', 'shrunken', 'own'}
            Within-taxon covariance behind the test of each taxon. 'pooled': typicality, and
            the pooled rank beside it. 'shrunken': in place of both, the pooled rank of
            Mahalanobis distances with the covariance of all of shape space shrunken (Ledoit &
            Wolf 2004, Journal of Multivariate Analysis 88, 365-411), the query counted as a
            member. 'own': typicality with the covariance of the taxon alone, on as many axes
            as it carries; the pooled rank where it has too few specimens.
        within_sizes : bool
            Read growth lines off at the nearest size measured of the taxon, not beyond; with
            the pooled covariance.

        Returns
        -------
        Evidence

        Raises
        ------
        InferenceError
            If the arrays do not fit those of the known specimens, or the covariance is unknown.
        """
        if covariance not in COVARIANCES:
            raise InferenceError(f"`covariance` must be one of {COVARIANCES}, not {covariance!r}.")
        queries = check_matrix(queries, name="queries", least=1, n_variables=self.Y.shape[1])
        if (self.size is None) != (size is None):
            raise InferenceError(
                "Sizes of known specimens and of queries are given together or not at all."
            )
        at = None if size is None else check_size(size, len(queries))
        found = self.model.evidence(
            queries, queries @ self.axes, at, own_axes=n_axes, within_sizes=within_sizes
        )
        if covariance == "pooled":
            return found
        if covariance == "shrunken":
            p = _shrunken_ranks(self.model, queries, at)
            return replace(found, typicality_probability=np.full(p.shape, np.nan), p_value=p)
        own = self._own_typicality(queries, at, n_axes)
        p = np.where(np.isnan(own), found.pooled_rank_p_value, own)
        return replace(found, typicality_probability=own, p_value=p)
