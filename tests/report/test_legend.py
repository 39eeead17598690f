"""The legend of the tables says what the tables hold, column by column."""

from fnmatch import fnmatch
from pathlib import Path

import pandas as pd
import pytest

from morpho.report.legend import COLUMNS, JOINED, TABLES, legend_text
from morpho.results.store import FLAGS, TEXTS


def check_tables(folder: Path, legend: dict):
    """Hold each table in a folder against the legend."""
    assert {path.stem for path in folder.glob("*.csv")} == set(legend)
    for name, (_, own) in legend.items():
        patterns = {*COLUMNS, *own}
        table = pd.read_csv(folder / f"{name}.csv", dtype=str, keep_default_na=False)
        for column in table.columns:
            assert any(fnmatch(column, pattern) for pattern in patterns), (name, column)
            values = table[column]
            numeric = pd.to_numeric(values.where(values != ""), errors="coerce")
            if column in FLAGS:
                assert set(values) <= {"True", "False"}, (name, column)
            elif column not in TEXTS:
                assert (numeric.notna() | (values == "")).all(), (name, column)
        for pattern in own:
            assert any(fnmatch(column, pattern) for column in table.columns), (name, pattern)


@pytest.mark.whole
def test_tables_have_the_columns_of_the_legend(hostile):
    """Every column is explained, every explained column is there, and numbers are numbers."""
    check_tables(hostile.results().folder / "tables", TABLES)
    check_tables(hostile.joined.folder / "tables", JOINED)


@pytest.mark.whole
def test_common_columns_stand_somewhere(hostile):
    """No column is explained that no table has."""
    folder = hostile.results().folder / "tables"
    there = {column for path in folder.glob("*.csv") for column in pd.read_csv(path, nrows=0)}
    assert set(COLUMNS) <= there


@pytest.mark.whole
def test_the_readme_of_the_results_is_the_legend(hostile):
    assert (hostile.config.results / "README.md").read_text(encoding="utf-8") == legend_text()


def test_check_table_is_explained():
    """Its columns are named in the first part of the legend."""
    from morpho.steps.prepare.check import _COLUMNS

    assert all(f"`{column}`" in legend_text() for column in _COLUMNS)
