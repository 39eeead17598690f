"""Egyptian skulls: multivariate analysis of variance by epoch, against print and statsmodels."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.multivariate.manova import MANOVA

from morpho.inference.models.linear_model import term_tests
from morpho.inference.taxa.groups import compare_means, group_tests

ROWS = ["Wilks' lambda", "Pillai's trace", "Hotelling-Lawley trace", "Roy's greatest root"]
EPOCHS = ["c4000BC", "c3300BC", "c1850BC", "c200BC", "cAD150"]


def _by_statsmodels(Y, epoch):
    frame = pd.DataFrame(Y, columns=["mb", "bh", "bl", "nh"]).assign(epoch=epoch)
    model = MANOVA.from_formula("mb + bh + bl + nh ~ epoch", frame)
    return model.mv_test().results["epoch"]["stat"].loc[ROWS]


def test_criteria_in_print(skulls):
    """Five epochs: Wilks 0.6636, Pillai 0.3533, Hotelling-Lawley 0.4818, Roy 0.4251.

    Everitt & Hothorn (2006), A Handbook of Statistical Analyses, chapter on analysis of
    variance; digits from memory, and recomputed with statsmodels in the next test.
    """
    Y, epoch = skulls
    table = group_tests(Y, ["epoch"], {"epoch": epoch}, permutations=0)
    assert table["criterion"].tolist() == ["Wilks", "Pillai", "Hotelling-Lawley", "Roy"]
    np.testing.assert_allclose(table["value"], [0.6636, 0.3533, 0.4818, 0.4251], atol=5.1e-5)


@pytest.mark.parametrize(
    ("later", "pillai"),
    [("c3300BC", 0.02767), ("c1850BC", 0.1876), ("c200BC", 0.3030), ("cAD150", 0.3618)],
)
def test_each_epoch_against_the_first_in_print(skulls, later, pillai):
    """Pillai's criterion for pairs of epochs.

    The same chapter of Everitt & Hothorn (2006); digits from memory.
    """
    Y, epoch = skulls
    pair = np.isin(epoch, ["c4000BC", later])
    table = group_tests(Y[pair], ["epoch"], {"epoch": epoch[pair]}, permutations=0)
    assert table["value"][1] == pytest.approx(pillai, rel=2e-4)


def test_criteria_and_p_values_as_statsmodels(skulls):
    """MANOVA of statsmodels: criteria to 1e-8, and p of permutation beside p of the F form.

    For normal data of 150 skulls the two p-values mean the same; where there is something to
    see (two neighbouring epochs) they must agree within four Monte-Carlo errors and 0.01.
    """
    Y, epoch = skulls
    theirs = _by_statsmodels(Y, epoch)
    ours = group_tests(Y, ["epoch"], {"epoch": epoch}, permutations=1999, random_state=1)
    np.testing.assert_allclose(ours["value"], theirs["Value"].astype(float), rtol=1e-8)
    assert (theirs["Pr > F"].astype(float) < 1e-5).all()
    assert (ours["p_value"] == 1 / 2000).all()
    for first, second in pairwise(EPOCHS):
        pair = np.isin(epoch, [first, second])
        theirs = _by_statsmodels(Y[pair], epoch[pair])
        ours = group_tests(
            Y[pair], ["epoch"], {"epoch": epoch[pair]}, permutations=1999, random_state=2
        )
        np.testing.assert_allclose(ours["value"], theirs["Value"].astype(float), rtol=1e-8)
        p = float(theirs["Pr > F"].iloc[0])
        error = np.sqrt(p * (1 - p) / 1999)
        np.testing.assert_allclose(ours["p_value"], p, atol=4 * error + 0.01)


def test_effect_grows_with_time(skulls):
    """Breadth grows and base length shrinks through the epochs (Thomson & Randall-Maciver 1905).

    The means of the pairs lie further apart the further apart in time, and the trend takes up
    most of what epochs explain; sums of squares against numpy's own.
    """
    Y, epoch = skulls
    years = {"c4000BC": -4000, "c3300BC": -3300, "c1850BC": -1850, "c200BC": -200, "cAD150": 150}
    year = np.array([years[e] for e in epoch], dtype=float)
    table = term_tests(
        Y, ["year", "epoch"], {"year": year, "epoch": epoch}, permutations=999, random_state=1
    ).set_index("term")
    trend = sum(stats.linregress(year, y).rvalue ** 2 * ((y - y.mean()) ** 2).sum() for y in Y.T)
    means = np.stack([Y[epoch == e].mean(axis=0) for e in epoch])
    between = ((means - Y.mean(axis=0)) ** 2).sum()
    assert table.sum_of_squares["year"] == pytest.approx(trend, rel=1e-10)
    assert table.sum_of_squares["epoch"] == pytest.approx(between - trend, rel=1e-9)
    assert table.degrees_of_freedom.tolist() == [1, 3, 145, 149]
    assert table.p_value["year"] == 0.001
    assert trend / between > 0.8

    pairs = compare_means(Y, epoch, permutations=999, random_state=1)
    assert len(pairs) == 10
    for row in pairs.itertuples():
        apart = Y[epoch == row.first].mean(axis=0) - Y[epoch == row.second].mean(axis=0)
        assert row.distance == pytest.approx(np.linalg.norm(apart))
        if {row.first, row.second} == {"c4000BC", "cAD150"}:
            assert row.p_value_holm <= 0.01
        if {row.first, row.second} == {"c4000BC", "c3300BC"}:
            assert row.p_value > 0.1
