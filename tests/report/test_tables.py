"""What is told of the tables is what the tables hold, column by column."""

from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from morpho.results import tables as registry
from morpho.results.columns import EVERYWHERE
from morpho.results.describing import Column, Table
from morpho.results.readme import readme
from morpho.results.store import ElementResults
from morpho.results.tables import JOINED, TABLES, described, made_by


def faults(folder: Path, tables: dict[str, Table]) -> list[str]:
    """Where the files of a folder are not as they are described."""
    found = [str(name) for name in {path.stem for path in folder.glob("*.csv")} ^ set(tables)]
    for name, about in tables.items():
        table = pd.read_csv(folder / f"{name}.csv", dtype=str, keep_default_na=False)
        family = [one.name.rstrip("*") for one in about.written if one.name.endswith("*")]
        wanted = [one.name for one in about.written if not one.name.endswith("*")]
        if [one for one in table if one.rstrip("0123456789") not in family] != wanted:
            found.append(f"{name}: {list(table)}")
        for key in table:
            kind, values = about.column(key).kind, table[key]
            if kind == "number":
                numbers = pd.to_numeric(values.where(values != ""), errors="coerce")
                right = bool((numbers.notna() | (values == "")).all())
            else:
                flags = {"True", "False", *([""] if kind == "maybe" else [])}
                right = kind == "text" or set(values) <= flags
            if not right:
                found.append(f"{name}.{key}: {sorted(set(values))[:4]}")
    return found


@pytest.mark.whole
def test_files_hold_the_columns_that_are_described(hostile):
    """Every table, every column, in their order; numbers are numbers, flags are flags."""
    assert faults(hostile.results().folder / "tables", TABLES) == []
    assert faults(hostile.joined.folder / "tables", JOINED) == []


@pytest.mark.whole
def test_the_readme_of_the_results_tells_of_every_column(hostile):
    """A column is told among those that mean the same everywhere, or with its table."""
    text = (hostile.config.results / "README.md").read_text(encoding="utf-8")
    assert text == readme()
    common, *parts = text.split("\n### ")
    told = {part.split(".csv")[0]: part for part in parts}
    for name, about in (TABLES | JOINED).items():
        part = told[name if name in TABLES else f"all-elements/tables/{name}"]
        for column in about.written:
            line = f"- `{column.name}`: {column.meaning}\n"
            assert (line in f"{part}\n") != (line in common), (name, column.name)


def test_where_a_column_means_something_else_the_common_part_says_so():
    common = {one.name: one.meaning for one in EVERYWHERE}
    met = set()
    for name, about in (TABLES | JOINED).items():
        for column in about.columns:
            if column.meaning == common.get(column.name):
                met.add(column.name)
            elif column.name in common:
                words = common["x" if column.name in "xyz" else column.name]
                assert "see there" in words
                assert f"`{name}`" in words or "where a table says otherwise" in words
    assert met == set(common)


def test_check_table_is_explained():
    """Its columns are named in the first part."""
    from morpho.steps.prepare.check import _COLUMNS

    assert all(f"`{column}`" in readme() for column in _COLUMNS)


def test_every_table_has_one_name_and_headings_that_differ():
    """Two columns under one heading could not be told apart."""
    assert len(registry._ALL) == len(TABLES | JOINED)
    for name, about in (TABLES | JOINED).items():
        for place in ("page", "paper"):
            shown = about.headings(place)
            assert len(set(shown.values())) == len(shown), name
            assert shown or not getattr(about, place), name
        assert len(set(about.header())) == len(about.header()), name


# ---------------------------------------------------------------- the store

PLAIN = Table(
    "plain", "", "try",
    columns=(
        Column("who", "", "text"), Column("n", ""), Column("sure", "", "flag"),
        Column("beyond", "", "maybe"), Column("axis_*", ""),
    ),
)  # fmt: skip


@pytest.fixture
def results(tmp_path, monkeypatch):
    monkeypatch.setitem(TABLES, "plain", PLAIN)
    return ElementResults(tmp_path, "bone")


def row(**other):
    return {"who": "1e5", "n": 3, "sure": True, "beyond": None, "axis_1": 0.5, "axis_2": 2} | other


def test_rows_are_written_in_the_order_described_and_read_by_their_kinds(results):
    results.write_table("plain", [dict(reversed(row().items())), row(sure=False, beyond=True)])
    path = results.folder / "tables" / "plain.csv"
    assert path.read_text(encoding="utf-8").splitlines() == [
        "who,n,sure,beyond,axis_1,axis_2", "1e5,3,True,,0.5,2", "1e5,3,False,True,0.5,2",
    ]  # fmt: skip
    read = results.table("plain")
    assert read["who"].tolist() == ["1e5", "1e5"]
    assert read["sure"].dtype == bool
    assert read["beyond"].tolist() == [None, True]
    assert read["axis_2"].tolist() == [2, 2]
    parts = [read[:1], read[:0], read[1:]]
    results.write_table("plain", [part[part.columns[::-1]] for part in parts])
    pd.testing.assert_frame_equal(results.table("plain"), read)


def test_without_rows_there_is_a_header(results):
    for nothing in ([], pd.DataFrame(), [pd.DataFrame(row(), index=[0])[:0]]):
        results.write_table("plain", nothing)
        assert list(results.table("plain")) == ["who", "n", "sure", "beyond"]
        assert results.table("plain").empty


@pytest.mark.parametrize(
    "wrong",
    [
        [row(more=1)],
        [{key: value for key, value in row().items() if key != "sure"}],
        pd.DataFrame([row()]).drop(columns="axis_1"),
        pd.DataFrame([row(axis_x=1)]),
        pd.DataFrame(columns=["who"]),
    ],
)
def test_a_table_that_is_not_as_described_is_not_written(results, wrong):
    """A column that nobody explained, and one that is not there."""
    with pytest.raises(ValueError, match=r"plain has the columns .* described are .*'who', 'n'"):
        results.write_table("plain", wrong)
    assert not (results.folder / "tables").exists()


def test_a_table_that_is_not_described_is_neither_written_nor_read(results):
    for call in (lambda: results.table("odd"), lambda: results.write_table("odd", [])):
        with pytest.raises(LookupError, match="no table odd is described"):
            call()


def test_parts_of_a_table_are_described_as_the_whole():
    assert described("carried/a b") is TABLES["carried_points"]
    with pytest.raises(LookupError):
        described("other/carried_points")


def test_a_column_is_shown_where_its_description_says():
    head = {"who": "name", "n": "count"}
    columns = [replace(one, head=head.get(one.name, "")) for one in PLAIN.columns]
    columns[1] = columns[1].here(only="paper")
    table = replace(PLAIN, columns=tuple(columns))
    assert table.headings("page") == {"who": "name"}
    assert table.headings("paper") == head
    assert table.column("axis_12") is columns[4]
    assert table.column("axis_x") is table.column("axes") is None


def test_the_tables_of_a_step_are_those_that_name_it():
    assert set(made_by("calibrate")) == {"calibration", "calibration_summary"}
    assert made_by("draw") == ()
