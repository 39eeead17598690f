"""The known taxa: how far queries lie from each, and how far their own specimens do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.special import softmax

from morpho.inference.models.allometry import check_size
from morpho.inference.models.design import InferenceError, check_matrix, indicator
from morpho.inference.models.distances import squared_mahalanobis
from morpho.inference.models.principal_axes import principal_axes
from morpho.inference.models.shrinkage import ShrunkenCovariance
from morpho.inference.models.slopes import slope_basis

__all__ = ["Distances", "KnownTaxa", "LeftOut"]

Array = NDArray[np.float64]

# A specimen with less than this left of its own variance is fitted exactly.
_ALONE = 1e-9
# Specimens of average spread that are counted into each taxon's own spread: one, so that a taxon
# known by few is not taken to spread as little or as much as those few happen to. With one, ten
# and none, powers in benchmarks/verdicts.md differ by less than two in a hundred; members of a
# taxon that spreads twice as widely are told outside least often with one.
_BORROWED = 1.0


@dataclass(frozen=True)
class Distances:
    """How far queries lie from each taxon; all arrays of shape (n_queries, n_taxa).

    Attributes
    ----------
    procrustes
        From the query to the shape predicted for the taxon, in all of tangent space.
    comparable
        The same divided by the square root of 1 + leverage: on the scale of `KnownTaxa.spread`.
    mahalanobis
        The comparable distance in standard deviations within taxa.
    relative
        The Mahalanobis distance by the mean one of the taxon's own specimens, each left out.
    posterior
        Probability of each taxon were it certain that the query belongs to one of them.
    beyond_sizes : ndarray of bool
        Whether the query is smaller or larger than every known specimen of the taxon.
    """

    procrustes: Array
    comparable: Array
    mahalanobis: Array
    relative: Array
    posterior: Array
    beyond_sizes: NDArray[np.bool_]


@dataclass(frozen=True)
class LeftOut:
    r"""Each known specimen as a query of the others.

    In standard deviations of the covariance without it, which is that of all, :math:`A`, less
    its own part, so that products are :math:`x^\top A^{-1} y + \kappa_i (x^\top A^{-1}
    r_i)(r_i^\top A^{-1} y)` (Sherman & Morrison 1950, The Annals of Mathematical Statistics 21(1),
    124-127; from memory).

    Attributes
    ----------
    along, beyond : ndarray of shape (n_specimens, n_taxa, n_axes), (..., n_variables)
        Deviation from each taxon, whitened by :math:`A`.
    itself : ndarray of shape (n_specimens, n_axes)
        :math:`r_i`, whitened likewise.
    kappa : ndarray of shape (n_specimens,)
    room : ndarray of shape (n_specimens, n_taxa)
        1 + leverage of what is predicted for it.
    scale : ndarray of shape (n_specimens, n_taxa)
        Mean distance of the taxon's own specimens, without it.
    judged : ndarray of bool, of shape (n_specimens,)
        Not those that are alone in their taxon.
    """

    along: Array
    beyond: Array
    itself: Array
    kappa: Array
    room: Array
    scale: Array
    judged: NDArray[np.bool_]

    @property
    def relative(self) -> Array:
        """Relative distances of the known specimens, of shape (n_specimens, n_taxa)."""
        return np.sqrt(self.squares()) / self.scale

    def squares(self) -> Array:
        """Squared Mahalanobis distances, of shape (n_specimens, n_taxa)."""
        own = np.einsum("ngj,nj->ng", self.along, self.itself)
        squares = (self.along**2).sum(axis=2) + (self.beyond**2).sum(axis=2)
        return (squares + self.kappa[:, None] * own**2) / self.room

    def moved(self, who: NDArray[np.intp], along: Array, beyond: Array) -> tuple[Array, Array]:
        """What moving specimens does to their distances: slope and curvature of the squares.

        Parameters
        ----------
        who : ndarray of int, of shape (n_moves,)
            The specimens.
        along, beyond : ndarray of shape (n_moves, n_axes), (n_moves, n_variables)
            The move, whitened by :math:`A`.

        Returns
        -------
        slope : ndarray of shape (n_moves, n_taxa)
        curvature : ndarray of shape (n_moves, n_taxa)
            Moved by t, the squared relative distance grows by slope t + curvature t^2.
        """
        own = np.einsum("bj,bj->b", along, self.itself[who])
        kappa, scale = self.kappa[who], self.scale[who] ** 2 * self.room[who]
        cross = np.einsum("bgj,bj->bg", self.along[who], along)
        cross += np.einsum("bgj,bj->bg", self.beyond[who], beyond)
        theirs = np.einsum("bgj,bj->bg", self.along[who], self.itself[who])
        slope = 2 * (cross + (kappa * own)[:, None] * theirs)
        curvature = (along**2).sum(axis=1) + (beyond**2).sum(axis=1) + kappa * own**2
        return slope / scale, curvature[:, None] / scale


class KnownTaxa:
    r"""A linear model of the known specimens, and distances from it.

    Known specimens follow a mean for each taxon and, where size is given, one slope within taxa,
    or slopes of their own for some. For a query that belongs to taxon :math:`g`, :math:`e_g` is
    its deviation from what the model predicts and :math:`h_g` the leverage of the prediction.

    *Relative distance*: :math:`d_g = \sqrt{e_g^\top \Sigma^{-1} e_g / (1 + h_g)}`, with
    :math:`\Sigma` the shrunken covariance within taxa (`ShrunkenCovariance`), by the mean of the
    same distance of the taxon's own specimens, each of them left out of all that it is measured
    by (means, slopes, covariance). All of shape space counts, so that no number of axes is
    chosen; directions in which specimens vary little count more. A taxon that spreads widely
    has a large mean, so that its members do not look strange by the spread of the others; one
    specimen of average spread is counted into it.

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
    taxa : ndarray of shape (n_taxa,)
    counts : ndarray of shape (n_taxa,)
    degrees_of_freedom : int
        Of the covariance within taxa.
    residuals : ndarray of shape (n_specimens, n_variables)
        Deviations of the known specimens from their taxa.
    covariance : ShrunkenCovariance
        Of these.
    own_distances : ndarray of shape (n_taxa,)
        Mean distance of each taxon's specimens, left out; one of average spread among them.

    Raises
    ------
    InferenceError
        If the arrays do not fit together, nothing varies within taxa, fewer than two degrees of
        freedom are left there, or sizes do not vary.
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
        Y = check_matrix(Y)
        self.taxa, self.columns = indicator(labels, len(Y))
        self.counts = self.columns.sum(axis=0)
        self.size = None if size is None else check_size(size, len(Y))
        basis = self.columns / np.sqrt(self.counts)
        if self.size is not None:
            extra, self.slope_of, self.size_lengths = slope_basis(
                self.size, self.taxa, self.columns, own_slopes
            )
            basis = np.hstack([basis, extra])
            self.size_means = self.columns.T @ self.size / self.counts
            own = np.where(self.columns > 0, self.size[:, None], np.nan)
            self.size_limits = np.nanmin(own, axis=0), np.nanmax(own, axis=0)
        self.basis = basis
        self.degrees_of_freedom = len(Y) - basis.shape[1]
        if self.degrees_of_freedom < 2:
            raise InferenceError(
                f"{len(Y)} specimens in {len(self.taxa)} taxa leave too little variation within "
                "taxa to judge by.",
                "few_per_taxon",
                specimens=len(Y),
                taxa=len(self.taxa),
            )
        self.fits = basis.T @ Y
        self.residuals = Y - basis @ self.fits
        # shapes have unit size, so that less than this is rounding, however near they lie
        rounding = 64 * np.finfo(float).eps * max(1.0, float(np.abs(Y).max()))
        if not float(np.abs(self.residuals).max()) > rounding:
            raise InferenceError(
                "The shapes do not vary: all specimens are the same.", "same_shapes"
            )
        self.leverages = (basis**2).sum(axis=1)
        self.axes = principal_axes(Y, 1) if axes is None else axes
        self.covariance = ShrunkenCovariance.of(self.residuals, self.degrees_of_freedom)
        self.left_out = self._leave_out(Y)

    def _places(self, size: Array | None, count: int, within: bool = False) -> Array:
        """Row of the model's basis for each specimen in each taxon: (count, n_taxa, rank)."""
        G = len(self.taxa)
        rows = np.zeros((count, G, self.basis.shape[1]))
        rows[:, np.arange(G), np.arange(G)] = 1 / np.sqrt(self.counts)
        if self.size is not None and size is not None:
            at = np.clip(size[:, None], *self.size_limits) if within else size[:, None]
            along = (at - self.size_means) / self.size_lengths[self.slope_of]
            rows[:, np.arange(G), G + self.slope_of] = along
        return rows

    def _leave_out(self, Y: Array) -> LeftOut:
        """Every known specimen as a query of the others, in closed form.

        Without specimen i the coefficients are less by its basis row times its residual by
        1 - h (Cook & Weisberg 1982, Residuals and Influence in Regression; from memory).
        """
        n, v = len(Y), self.degrees_of_freedom
        judged = 1 - self.leverages > _ALONE
        free = np.where(judged, 1 - self.leverages, 1.0)
        where = self._places(self.size, n)
        shared = np.einsum("nr,ngr->ng", self.basis, where)
        e = Y[:, None] - where @ self.fits
        e += (shared / free[:, None])[..., None] * self.residuals[:, None]
        room = 1 + (where**2).sum(axis=2) + shared**2 / free[:, None]
        factor = v / (v - 1)
        along, beyond = self.covariance.whitened(e, factor)
        itself = self.covariance.whitened(self.residuals, factor)[0]
        weight = (1 - self.covariance.weight) / ((v - 1) * free)
        kappa = weight / np.maximum(1 - weight * (itself**2).sum(axis=1), _ALONE)
        found = LeftOut(along, beyond, itself, kappa, room, np.ones_like(room), judged)
        own = np.sqrt((found.squares() * self.columns).sum(axis=1))
        own = np.where(judged, own, 0.0)
        total, number = self.columns.T @ own, self.columns.T @ judged
        average = own.sum() / max(judged.sum(), 1)
        self.own_distances = (total + _BORROWED * average) / (number + _BORROWED)
        mine = self.columns > 0
        rest = total - own[:, None] + _BORROWED * average
        number = np.maximum(number - judged[:, None], 0) + _BORROWED
        scale = np.where(mine, rest / number, self.own_distances)
        return LeftOut(along, beyond, itself, kappa, room, scale, judged)

    def predict(self, size: ArrayLike | None, n_queries: int) -> Array:
        """Shape expected of each query in each taxon, at the query's own size where heeded.

        Parameters
        ----------
        size : array-like of shape (n_queries,) or None
            Log centroid sizes.
        n_queries : int

        Returns
        -------
        ndarray of shape (n_queries, n_taxa, n_variables)
        """
        at = None if size is None else check_size(size, n_queries)
        return self._places(at, n_queries) @ self.fits

    def spread(self) -> Array:
        """Distance of each known specimen from what the others predict for its taxon.

        Its residual divided by the square root of 1 - leverage, so that distances do
        not depend on the number of specimens in the taxon.

        Returns
        -------
        ndarray of shape (n_specimens,)
            NaN for a specimen that is alone in its taxon.
        """
        judged = self.left_out.judged
        free = np.where(judged, 1 - self.leverages, 1.0)
        return np.where(judged, np.linalg.norm(self.residuals, axis=1) / np.sqrt(free), np.nan)

    def hold(
        self,
        queries: ArrayLike,
        size: ArrayLike | None = None,
        *,
        excess: Array | None = None,
        within_sizes: bool = False,
    ) -> Distances:
        """Hold queries against each taxon.

        Parameters
        ----------
        queries : array-like of shape (n_queries, n_variables)
        size : array-like of shape (n_queries,), optional
            Needed where size is heeded, and only there.
        excess : ndarray of shape (n_queries, n_variables), optional
            Variance of a query's coordinates by its own digitising error, beyond that of the
            known specimens: its deviation is expected to spread by so much more.
        within_sizes : bool
            Read growth lines off at the nearest size measured of the taxon, not beyond.

        Returns
        -------
        Distances

        Raises
        ------
        InferenceError
            If the arrays do not fit those of the known specimens.
        """
        Y = check_matrix(queries, name="queries", least=1, n_variables=self.residuals.shape[1])
        if (self.size is None) != (size is None):
            raise InferenceError(
                "Sizes of known specimens and of queries are given together or not at all."
            )
        at = None if size is None else check_size(size, len(Y))
        where = self._places(at, len(Y), within_sizes)
        e = Y[:, None] - where @ self.fits
        room = 1 + (where**2).sum(axis=2)
        along, beyond = self.covariance.whitened(e)
        squares = ((along**2).sum(axis=2) + (beyond**2).sum(axis=2)) / room
        if excess is not None and (excess > 0).any():
            matrix = self.covariance.matrix()
            for i in np.flatnonzero((excess > 0).any(axis=1)):
                for g in range(len(self.taxa)):
                    spread = room[i, g] * matrix + np.diag(np.maximum(excess[i], 0.0))
                    squares[i, g] = e[i, g] @ cho_solve(cho_factor(spread), e[i, g])
        known = self.residuals @ self.axes
        apart = squared_mahalanobis(known, e @ self.axes, self.degrees_of_freedom)
        distance, own = np.linalg.norm(e, axis=2), self.own_distances
        away = np.zeros(room.shape, dtype=bool)
        if at is not None:
            low, high = self.size_limits
            away = (at[:, None] < low) | (at[:, None] > high)
        return Distances(
            procrustes=distance,
            comparable=distance / np.sqrt(room),
            mahalanobis=np.sqrt(squares),
            relative=np.sqrt(squares) / np.where(own > 0, own, np.nan),
            posterior=softmax(-apart / 2, axis=1),
            beyond_sizes=away,
        )
