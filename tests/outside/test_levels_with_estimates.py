"""The verdict keeps its level where landmarks of known specimens were estimated.

Estimates lie nearer to the mean than bones do, so that a complete query stands out beside them.
The nominal level is the published truth of the verdict.
"""

from __future__ import annotations

import numpy as np
import pytest

from morpho.inference.membership.judging import Rules
from morpho.inference.robustness.reanalysis import Material, analyse
from morpho.shape.estimation.estimator import LandmarkEstimator

pytestmark = pytest.mark.long

RULES = Rules(0.05, 3, None, 1)
POINTS = 15


def _study(rng, members, share):
    """Bones of four taxa with correlated landmarks, and a member of the first as the query.

    A share of the known bones has lost two landmarks, which are estimated from complete ones.
    """
    place = np.append(np.repeat(range(4), members), 0)
    base = rng.normal(size=(POINTS, 3))
    apart = np.linalg.norm(base[:, None] - base[None], axis=2)
    mix = np.linalg.cholesky(np.exp(-apart / 0.6) + 1e-9 * np.eye(POINTS))
    means = base + 0.25 * rng.normal(size=(4, POINTS, 3))
    X = means[place] + 0.08 * np.einsum(
        "ij,njd->nid", mix, rng.normal(size=(len(place), POINTS, 3))
    )
    known = np.arange(len(place)) < len(place) - 1
    broken = np.isin(
        np.arange(len(place)), rng.permutation(len(place) - 1)[: round(share * known.sum())]
    )
    complete = X[known & ~broken]
    for i in np.flatnonzero(broken):
        X[i, rng.choice(POINTS, 2, replace=False)] = np.nan
    if broken.any():
        X[broken] = LandmarkEstimator().fit(complete).transform(X[broken])
    return Material(X, np.array([f"taxon {g}" for g in place]), known)


@pytest.mark.parametrize(("members", "share"), [(8, 0.0), (8, 0.6), (4, 0.4)])
def test_a_member_beside_estimated_bones(members, share, check_rate):
    rng = np.random.default_rng(41 + members)
    outside = np.empty(300)
    for i in range(300):
        found = analyse(_study(rng, members, share), RULES, test_slopes=False)
        outside[i] = found.decisions[0][False].verdict == "outside"
    check_rate(outside, RULES.alpha, conservative=True, what="outside")
