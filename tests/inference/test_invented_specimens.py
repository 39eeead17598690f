"""Specimens invented for larger samples vary as the model says that the known ones do."""

import numpy as np

from morpho.inference.membership.judging import Shapes
from morpho.inference.membership.known_taxa import KnownTaxa
from morpho.inference.robustness.adequacy import _grown


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
