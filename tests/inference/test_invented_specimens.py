"""Specimens invented for larger samples vary as the model says that the known ones do."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from morpho.inference.membership.judging import Rules, Shapes, judge
from morpho.inference.membership.known_taxa import KnownTaxa
from morpho.inference.robustness.adequacy import _grown, specimens_to_decide

RULES = Rules(0.05, 4, None, 1)


def test_invented_specimens_vary_in_every_direction_as_the_covariance_says():
    """Of eight specimens in thirty directions: along the axes of the residuals and beyond them."""
    rng = np.random.default_rng(5)
    taxon = np.repeat(["a", "b"], 4)
    known = Shapes(rng.normal(size=(8, 30)) + 9 * (taxon == "b")[:, None], np.full(8, 3.0), taxon)
    model = KnownTaxa(known.tangent, taxon)
    shapes, _ = _grown(model, 1, 20_000, known, rng)
    mean = known.tangent[taxon == "b"].mean(axis=0)
    np.testing.assert_allclose(shapes.mean(axis=0), mean, atol=0.05)
    covariance = model.covariance
    along, beyond = covariance.split(shapes - mean)
    np.testing.assert_allclose(along.var(axis=0), covariance.spectrum(), rtol=0.06)
    rest = 30 - covariance.axes.shape[1]
    assert rest > 20
    np.testing.assert_allclose((beyond**2).sum(axis=1).mean() / rest, covariance.floor, rtol=0.02)


@pytest.mark.parametrize("share", [0.97, 1.03])
def test_without_any_added_each_query_is_judged_as_it_is(share):
    """Landmarks of three coordinates and errors of digitising are heeded: near the level, both."""
    rng = np.random.default_rng(6)
    taxon = np.repeat(["a", "b"], 12)
    tangent = rng.normal(size=(24, 12)) + 30 * (taxon == "b")[:, None]
    error = np.linspace(0, 0.5, 24)
    known = Shapes(tangent, rng.normal(3, 0.1, 24), taxon, error, dimensions=3)
    query = Shapes(np.empty((1, 12)), np.array([3.0]), np.array([""]), np.array([1.5]))
    at = np.r_[np.full(6, 3.0), np.zeros(6)]

    def placed(length):
        return replace(query, tangent=length * at[None])

    critical = judge(known, placed(1), RULES).evidence[False].critical_distance[0]
    length = brentq(
        lambda t: judge(known, placed(t), RULES).facts(0)["strangeness"] - share * critical, 0.1, 9
    )
    one = placed(length)
    told = judge(known, one, RULES).verdicts[0].verdict
    assert told == ("outside" if share > 1 else "inside")
    table = specimens_to_decide(known, one, ["q"], RULES, added=(0,), rng=rng)
    assert table[told].item() == 1
    # it is another query without these
    plain = judge(replace(known, error=None, dimensions=1), replace(one, error=None), RULES)
    assert abs(plain.facts(0)["strangeness"] / (share * critical) - 1) > 0.05


def test_some_of_the_shapes_keep_all_that_is_told_of_them(rng):
    known = Shapes(
        rng.normal(size=(4, 6)), np.arange(4.0), np.array(list("aabb")), np.arange(4.0) / 9,
        np.array([True, False, False, True]), 3,
    )  # fmt: skip
    part = known.of([2, 0])
    for name in ("tangent", "log_size", "taxon", "error", "unmeasured"):
        np.testing.assert_array_equal(getattr(part, name), getattr(known, name)[[2, 0]])
    assert part.dimensions == 3
    more = known.joined_by(np.ones((2, 6)), np.ones(2), ["c", "c"])
    np.testing.assert_allclose(more.error, [*known.error, 1 / 6, 1 / 6])
    assert more.taxon.tolist() == list("aabbcc")
    assert more.dimensions == 3
    assert replace(known, error=None).joined_by(np.ones((1, 6)), np.ones(1), ["c"]).error is None
