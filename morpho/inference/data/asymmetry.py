"""Left against right: directional and fluctuating asymmetry of shape, and error."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from morpho.inference.models.design import InferenceError
from morpho.inference.models.linear_model import term_tests
from morpho.inference.models.permutation import permutation_test, tail_p_value
from morpho.shape.checks import check_configurations
from morpho.shape.superimposition import GeneralizedProcrustes
from morpho.shape.symmetry.partners import check_partners
from morpho.shape.symmetry.sides import check_midline, exchange_sides, mirror

__all__ = ["shape_dimensions", "side_anova"]

Array = NDArray[np.float64]
Codes = NDArray[np.intp]

# Sign patterns worked on at a time.
_BLOCK = 500


def shape_dimensions(partners: ArrayLike, n_dimensions: int = 3) -> tuple[int, int]:
    r"""Dimensions of the symmetric and of the asymmetric part of shape space.

    Parameters
    ----------
    partners : array-like of int, of shape (n_landmarks,)
        Index of the partner of each landmark; its own on the midline.
    n_dimensions : {2, 3}

    Returns
    -------
    symmetric, asymmetric : int
        Of shapes that are symmetric, and of departures from symmetry. They add up to the
        dimension of shape space.

    Raises
    ------
    ShapeError
        If the partners do not fit.

    Notes
    -----
    With :math:`p` pairs and :math:`m` landmarks on the midline a symmetric bone in space has
    :math:`3p + 2m - 4` free coordinates (moved along its plane, turned in it, scaled: 4), and
    departures from symmetry :math:`3p + m - 3` (moved across the plane, turned out of it).
    In the plane they are :math:`2p + m - 2` both. Klingenberg, Barluenga & Meyer (2002),
    Evolution 56, 1909-1920, from memory.

    Examples
    --------
    >>> shape_dimensions([1, 0, 3, 2, 4, 5])
    (6, 5)
    """
    partners = check_partners(partners, len(np.asarray(partners)))
    own = int((partners == np.arange(len(partners))).sum())
    pairs = (len(partners) - own) // 2
    if n_dimensions == 3:
        return 3 * pairs + 2 * own - 4, 3 * pairs + own - 3
    return 2 * pairs + own - 2, 2 * pairs + own - 2


def _sums(Z: Array, individuals: Codes, sides: Codes) -> tuple[dict[str, float], Array, Array]:
    """Sums of squares, and the difference of sides with its weight for each individual.

    Sequential: individuals, then sides, then both together, then what is left.
    """
    n = individuals.max() + 1
    cells = np.eye(2 * n)[2 * individuals + sides]
    counts = cells.sum(axis=0)
    means = cells.T @ Z / counts[:, None]
    left, right = means[0::2], means[1::2]
    nl, nr = counts[0::2], counts[1::2]
    middle = (nl[:, None] * left + nr[:, None] * right) / (nl + nr)[:, None]
    total = Z.mean(axis=0)
    difference, weight = left - right, nl * nr / (nl + nr)
    side, both = _side_squares(difference, weight, np.ones((1, n)))
    squares = {
        "individual": float(((nl + nr)[:, None] * (middle - total) ** 2).sum()),
        "side": float(side[0]),
        "individual by side": float(both[0]),
        "error": float(((Z - cells @ means) ** 2).sum()),
        "total": float(((Z - total) ** 2).sum()),
    }
    return squares, difference, weight


def _side_squares(difference: Array, weight: Array, signs: Array) -> tuple[Array, Array]:
    """Squares of side, and of individual by side, with the sides exchanged as `signs` say."""
    mean = (signs * weight) @ difference
    side = (mean**2).sum(axis=1) / weight.sum()
    return side, np.maximum((weight[:, None] * difference**2).sum() - side, 0.0)


def _side_p_value(
    difference: Array, weight: Array, permutations: int, rng: np.random.Generator
) -> float:
    """Both sides of individuals exchanged at random, or in every way if those are few."""
    n = len(weight)
    # squares of side and of individual by side add up to the same: side alone ranks alike
    observed = _side_squares(difference, weight, np.ones((1, n)))[0]
    exact = n < 20 and 2 ** (n - 1) <= permutations
    null = []
    if exact:
        # the other half of the patterns has all sides exchanged and the same squares
        patterns = np.arange(2 ** (n - 1))[:, None] >> np.arange(n) & 1
        flips = np.asarray(1 - 2 * patterns, dtype=np.float64)
        null = [_side_squares(difference, weight, flips)[0]]
    else:
        for start in range(0, permutations, _BLOCK):
            size = (min(_BLOCK, permutations - start), n)
            signs = np.asarray(2 * rng.integers(0, 2, size=size) - 1, dtype=np.float64)
            null.append(_side_squares(difference, weight, signs)[0])
    table = np.concatenate(null)[:, None] if null else np.empty((0, 1))
    return float(tail_p_value(observed, table, exact=exact)[0])


def _grouping_p_value(Y: Array, codes: Codes, permutations: int, rng: np.random.Generator) -> float:
    """Digitisations exchanged among individuals; squares between individuals compared."""
    own = np.eye(codes.max() + 1)[codes]
    own /= np.sqrt(own.sum(axis=0))
    Y = Y - Y.mean(axis=0)

    def between(orders: NDArray) -> Array:
        return np.array([((own.T @ Y[order]) ** 2).sum() for order in orders])[:, None]

    result = permutation_test(between, len(Y), permutations=permutations, random_state=rng)
    return float(result.p_value[0])


def _pairing_p_value(
    Z: Array, individuals: Codes, sides: Codes, permutations: int, rng: np.random.Generator
) -> float:
    """Right sides given to other individuals; likeness of the two sides compared."""
    n = individuals.max() + 1
    cells = np.eye(2 * n)[2 * individuals + sides]
    means = cells.T @ Z / cells.sum(axis=0)[:, None]
    left, right = (m - m.mean(axis=0) for m in (means[0::2], means[1::2]))
    products = left @ right.T

    def likeness(orders: NDArray) -> Array:
        # rises with the squares between individuals of unweighted means; made positive
        return products[np.arange(n), orders].sum(axis=1)[:, None]

    result = permutation_test(likeness, n, permutations=permutations, random_state=rng)
    return float(result.p_value[0])


def _table(squares: dict[str, float], df: dict[str, int], p: dict[str, float]) -> pd.DataFrame:
    sources = [name for name in squares if name == "total" or df[name] > 0]
    mean = {name: squares[name] / df[name] for name in sources if name != "total"}
    against = {"individual": "individual by side", "side": "individual by side"}
    if "error" in mean:
        against["individual by side"] = "error"
    f = {
        name: mean[name] / mean[other] if mean[other] > 0 else np.nan
        for name, other in against.items()
    }
    return pd.DataFrame(
        {
            "source": sources,
            "sum_of_squares": [squares[name] for name in sources],
            "degrees_of_freedom": [df[name] for name in sources],
            "mean_square": [mean.get(name, np.nan) for name in sources],
            "f_ratio": [f.get(name, np.nan) for name in sources],
            "p_value": [p.get(name, np.nan) for name in sources],
            "share_of_variance": [squares[name] / squares["total"] for name in sources],
        }
    )


def _sides_as_codes(sides: ArrayLike, individuals: NDArray, codes: Codes) -> Codes:
    sides = np.asarray(sides)
    if sides.shape != codes.shape or not np.isin(sides, ["left", "right"]).all():
        raise InferenceError("`sides` must hold 'left' or 'right' for each digitisation.")
    side = (sides == "right").astype(np.intp)
    there = np.zeros((codes.max() + 1, 2), dtype=bool)
    there[codes, side] = True
    single = np.unique(individuals)[~there.all(axis=1)]
    if single.size:
        raise InferenceError(
            f"Only one side of these individuals is there: {', '.join(map(str, single[:10]))}. "
            "Leave them out of the comparison of sides."
        )
    return side


def side_anova(
    X: ArrayLike,
    individuals: ArrayLike,
    partners: ArrayLike | None = None,
    *,
    sides: ArrayLike | None = None,
    permutations: int = 9999,
    random_state: int | np.random.Generator | None = None,
) -> pd.DataFrame:
    r"""Procrustes ANOVA of left against right.

    Parameters
    ----------
    X : array-like of shape (n_digitisations, n_landmarks, n_dimensions)
        Single digitisations without missing landmarks, in any pose; not mirrored.
    individuals : array-like of shape (n_digitisations,)
        Whose bone each is; replicates have the same.
    partners : array-like of int, of shape (n_landmarks,), optional
        Object symmetry, a bone with a plane of symmetry: index of the partner of each
        landmark.
    sides : array-like of shape (n_digitisations,), optional
        Matching symmetry, a bone of the left and one of the right: 'left' or 'right'. One
        of `partners` and `sides` is given.
    permutations : int
    random_state : int, Generator or None

    Returns
    -------
    DataFrame
        Rows `individual`; `side`, directional asymmetry; `individual by side`, fluctuating
        asymmetry; `error`, between replicates (only where there are any); `total`. Columns
        `source`, `sum_of_squares`, `degrees_of_freedom`, `mean_square`, `f_ratio`,
        `p_value`, `share_of_variance`.

    Raises
    ------
    ShapeError
        If `X` holds no proper configurations, the partners do not fit, or a landmark of the
        midline is far off the plane of symmetry.
    InferenceError
        If both or neither of `partners` and `sides` are given, there are fewer than two
        individuals, labels do not fit, an individual has but one side, or the shapes do not
        vary.

    Notes
    -----
    *Object symmetry.* Each configuration and its relabelled mirror image are superimposed
    together, which makes their mean symmetric; image against original is the side. Squares
    are summed over both, so `individual` holds the symmetric part of the variation, and
    `side` and `individual by side` the asymmetric one; error has its share in both. Degrees of
    freedom count the dimensions of each, see `shape_dimensions`; for :math:`n` individuals and
    :math:`r_i` replicates they are :math:`(n - 1) s`, :math:`a`, :math:`(n - 1) a` and
    :math:`\sum (r_i - 1)(s + a)`.

    *Matching symmetry.* Bones of the right are mirrored; individuals by sides is a two-way
    analysis with all dimensions of shape space in each line. Squares are sequential.

    F divides individuals and sides by individuals by sides, and that by error (Palmer &
    Strobeck 1986, Annual Review of Ecology and Systematics 17, 391-421).

    P-values: *side*, the two sides of individuals are exchanged (all :math:`2^{n-1}` ways if
    these are no more than `permutations`). *Individual* and *individual by side* of object
    symmetry, digitisations are exchanged among individuals (their symmetric and
    asymmetric parts), so that both ask whether there is more than error; without replicates
    there is none. Matching symmetry: right bones are paired with other left ones, and
    residuals of the additive model are reordered (`term_tests`).

    References
    ----------
    Klingenberg, C. P. & McIntyre, G. S. (1998). Geometric morphometrics of developmental
    instability. Evolution 52, 1363-1375: matching symmetry.
    Mardia, K. V., Bookstein, F. L. & Moreton, I. J. (2000). Biometrika 87, 285-300.
    Klingenberg, C. P., Barluenga, M. & Meyer, A. (2002). Evolution 56, 1909-1920: object
    symmetry.
    """
    X = check_configurations(X, least=2)
    n, k, d = X.shape
    if (partners is None) == (sides is None):
        raise InferenceError("Give either `partners` (object symmetry) or `sides` (matching).")
    individuals = np.asarray(individuals)
    if individuals.shape != (n,):
        raise InferenceError(
            f"There are individuals of shape {individuals.shape} for {n} digitisations."
        )
    codes = np.unique(individuals, return_inverse=True)[1].astype(np.intp)
    count = int(codes.max()) + 1
    if count < 2:
        raise InferenceError(
            "Asymmetry needs at least two individuals to be told from chance.", "few_individuals"
        )
    rng = np.random.default_rng(random_state)
    if partners is not None:
        check_midline(X, partners)
        both = GeneralizedProcrustes().fit_transform(
            np.concatenate([X, exchange_sides(X, partners)])
        )
        side = np.repeat(np.arange(2), n)
        twice = np.concatenate([codes, codes])
        symmetric, asymmetric = shape_dimensions(partners, d)
        repeats = n - count
    else:
        side = _sides_as_codes(sides if sides is not None else [], individuals, codes)
        both = GeneralizedProcrustes().fit_transform(
            np.where((side == 1)[:, None, None], mirror(X), X)
        )
        twice = codes
        symmetric = asymmetric = k * d - d - d * (d - 1) // 2 - 1
        repeats = n - 2 * count
    Z = both.reshape(len(both), -1)
    squares, difference, weight = _sums(Z, twice, side)
    if not squares["total"] > 1e-20:
        raise InferenceError(
            "The shapes do not vary: all are the same and symmetric.", "same_sides"
        )
    error_dimension = symmetric + asymmetric if partners is not None else symmetric
    df = {
        "individual": (count - 1) * symmetric,
        "side": asymmetric,
        "individual by side": (count - 1) * asymmetric,
        "error": repeats * error_dimension,
    }
    df["total"] = sum(df.values())
    if not repeats:
        squares["individual by side"] += squares.pop("error")
        df.pop("error")
    p = {"side": _side_p_value(difference, weight, permutations, rng)}
    if partners is not None and repeats:
        halves = (Z[:n] + Z[n:]) / 2, (Z[:n] - Z[n:]) / 2
        p["individual"] = _grouping_p_value(halves[0], codes, permutations, rng)
        p["individual by side"] = _grouping_p_value(halves[1], codes, permutations, rng)
    elif partners is None:
        p["individual"] = _pairing_p_value(Z, codes, side, permutations, rng)
        if repeats:
            variables = {"individual": codes.astype(str), "side": side.astype(str)}
            terms = ["individual", "side", ("individual", "side")]
            tests = term_tests(Z, terms, variables, permutations=permutations, random_state=rng)
            p["individual by side"] = float(tests["p_value"].iloc[2])
    return _table(squares, df, p)
