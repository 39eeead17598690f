"""Files on disk: whole or not at all, the same bytes everywhere, names that stay names."""

import os
import subprocess
import sys

import numpy as np
import pandas as pd
import pytest

from morpho.results.describing import Column, Table
from morpho.results.store import ElementResults, write_json, write_table
from morpho.results.tables import TABLES
from morpho.results.whole import whole
from morpho.steps.streams import generator, seed_of

NAMES = [
    "NA", "nan", "None", "null", "True", "1e5", "007", "-0", "=cmd()", "+1", '"quoted"', "a,b;c",
    "it's", " x ", "", "мышь", "#1", "\\N", "inf",
]  # fmt: skip


def test_whole_replaces_only_when_all_went_well(tmp_path):
    path = tmp_path / "deep" / "table.csv"
    with whole(path) as temporary:
        assert temporary.parent == path.parent
        assert temporary.suffix == ".csv"
        assert not path.exists()
        temporary.write_text("old")
    with pytest.raises(RuntimeError), whole(path) as temporary:  # noqa: PT012
        temporary.write_text("half of the new")
        raise RuntimeError
    assert path.read_text() == "old"
    assert os.listdir(path.parent) == ["table.csv"]


def test_whole_gives_the_file_the_usual_rights(tmp_path):
    """Colleagues can read results; a temporary file's rights would keep them out."""
    plain, ours = tmp_path / "plain", tmp_path / "ours"
    plain.write_text("")
    with whole(ours) as temporary:
        temporary.write_text("")
    assert ours.stat().st_mode == plain.stat().st_mode


def test_bytes_of_a_table(tmp_path):
    table = pd.DataFrame(
        {
            "specimen": ["é", "a,b", 'q"'],
            "x": [1 / 3, 123456789.123, np.nan],
            "n": [1, 2, 3],
            "used": [True, False, True],
        },
        index=[7, 8, 9],
    )
    write_table(tmp_path / "t.csv", table)
    assert (tmp_path / "t.csv").read_bytes() == (
        'specimen,x,n,used\né,0.333333333,1,True\n"a,b",123456789,2,False\n"q""",,3,True\n'
    ).encode()


def test_bytes_of_notes(tmp_path):
    write_json(tmp_path / "n.json", {"b": "é", "a": [1, None]})
    assert (tmp_path / "n.json").read_bytes() == (
        '{\n "a": [\n  1,\n  null\n ],\n "b": "é"\n}\n'.encode()
    )


@pytest.fixture
def results(tmp_path, monkeypatch):
    columns = (Column("specimen", "", "text"), Column("taxon", "", "text"), Column("p_value", ""),
               Column("used", "", "flag"))  # fmt: skip
    monkeypatch.setitem(TABLES, "t", Table("t", "", "try", columns))
    return ElementResults(tmp_path, "bone")


def test_names_come_back_as_they_were(results):
    """Whatever a specimen's or a taxon's name looks like to a reader of tables."""
    table = pd.DataFrame({"specimen": NAMES, "taxon": NAMES[::-1], "p_value": 0.5})
    table.loc[3, "p_value"] = np.nan
    table["used"] = [i % 2 == 0 for i in range(len(NAMES))]
    results.write_table("t", table)
    pd.testing.assert_frame_equal(results.table("t"), table, check_dtype=False)
    assert results.table("t")["used"].dtype == bool
    assert results.table("t")["p_value"].dtype == float


def test_an_empty_table_keeps_its_columns(results):
    results.write_table("t", [])
    table = results.table("t")
    assert list(table) == ["specimen", "taxon", "p_value", "used"]
    assert table.empty
    assert pd.api.types.is_numeric_dtype(table["p_value"])


def test_text_where_a_number_belongs_is_no_silent_blank(results):
    results.write_table("t", [{"specimen": "a", "taxon": "b", "p_value": "wrong", "used": True}])
    with pytest.raises(ValueError, match="wrong"):
        results.table("t")


def test_arrays_and_notes_come_back(tmp_path):
    results = ElementResults(tmp_path, "bone")
    names = np.array(NAMES, dtype=str)
    results.write_arrays("a", names=names, x=np.arange(3.0))
    given = results.arrays("a")
    assert given["names"].tolist() == NAMES
    assert given["x"].tolist() == [0, 1, 2]
    results.write_notes("n", {"trouble": ["é"]})
    assert results.notes("n") == {"trouble": ["é"]}


def test_the_layout_of_a_figure_is_held(tmp_path, monkeypatch):
    """Last bits of the layout solver change no byte of a figure, nor how it is laid out."""
    import matplotlib.pyplot as plt
    from matplotlib.axes import Axes
    from matplotlib.transforms import Bbox

    from morpho.drawing.saving import save_figure
    from morpho.drawing.style import figure_style

    place, settled = Axes._set_position, []

    def shaken(axes, pos, which="both"):
        if which == "both" and not isinstance(pos, tuple):  # from the solver of the layout
            shift = 1e-13 * next(shifts)
            pos = Bbox.from_bounds(pos.x0 + shift, pos.y0, pos.width, pos.height - shift)
        place(axes, pos, which)

    for run, step in enumerate((1, -1)):
        shifts = iter(range(step, 10_000 * step, step))
        results = ElementResults(tmp_path / str(run), "bone")
        with figure_style(), monkeypatch.context() as patch:
            patch.setattr(Axes, "_set_position", shaken)
            figure, axes = plt.subplots(1, 2)
            axes[0].plot([0, 1], [2, 3])
            axes[0].set_ylabel("a long name of what is drawn")
            save_figure(results.folder / "figures", "lines", figure)
            settled.append([ax.get_position().bounds for ax in axes])
    assert settled[0] == settled[1]
    assert settled[0][0][0] > 0.05  # the layout makes room for the name
    for ending in ("svg", "pdf", "png"):
        files = [tmp_path / str(run) / "bone" / "figures" / f"lines.{ending}" for run in (0, 1)]
        assert files[0].read_bytes() == files[1].read_bytes()


def test_seeds_differ_by_purpose():
    purposes = [
        (1, "jaw", "compare"), (2, "jaw", "compare"), (1, "atlas", "compare"), (1, "jaw", "grow"),
        (1, "compare", "jaw"), (1, "jaw"), (1, "jawcompare"), (1,),
    ]  # fmt: skip
    assert len({seed_of(*purpose) for purpose in purposes}) == len(purposes)


def test_seeds_are_the_same_on_every_day():
    """Written down once: a change moves every p-value of every study (Changed results)."""
    assert seed_of(20, "lower_jaw", "compare", "criteria") == 1737573575
    assert generator(1, "x").integers(1_000_000) == generator(1, "x").integers(1_000_000)
    assert isinstance(seed_of(1, "a"), int)


def test_seeds_do_not_hang_on_the_process():
    """Python's own hash of text differs from one process to the next."""
    script = "from morpho.steps.streams import seed_of; print(seed_of(1, 'bone', 'grow'))"
    for salt in ("1", "2"):
        told = subprocess.run(
            [sys.executable, "-c", script],
            env=os.environ | {"PYTHONHASHSEED": salt},
            capture_output=True,
            text=True,
            check=True,
        )
        assert int(told.stdout) == seed_of(1, "bone", "grow")
