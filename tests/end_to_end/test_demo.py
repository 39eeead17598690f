"""The demo: its verdicts, and what runs again when something changes."""

import csv
import os
import re
import shutil
from html import unescape

import pandas as pd
import pytest

from helpers.told import words_of
from morpho.results.store import ElementResults
from morpho.steps.__main__ import main
from morpho.study.settings.config import read_config
from morpho.workflow.code_digest import CodeDigests
from morpho.workflow.plan import Plan
from morpho.workflow.state import State

pytestmark = pytest.mark.slow

# What comes after any change of a table: page, supplement, archive and record.
LAST = {"supplement", "report", "archive", "finish"}
JOINED = {"combine", "draw"}


@pytest.fixture(scope="module")
def own_demo(demo, tmp_path_factory):
    """A copy of the demo whose files may be replaced, though not written into."""
    house = tmp_path_factory.mktemp("own") / "house"
    return shutil.copytree(demo, house, copy_function=os.link)


@pytest.fixture
def changed(own_demo):
    """Replace files of the demo, and have them back as they were."""
    kept = {}

    def change(path, text):
        path = own_demo / path
        aside = path.with_name(f".{path.name}.kept")
        if path.exists():
            path.rename(aside)
        kept[path] = aside
        path.write_text(text, encoding="utf-8")

    yield change
    for path, aside in kept.items():
        path.unlink()
        if aside.exists():
            aside.rename(path)


@pytest.fixture
def due(own_demo, monkeypatch):
    """Finds the jobs that a run would do now, with the code as it lies there, as (rule, job)."""

    def find():
        digests = CodeDigests(own_demo / "morpho")
        monkeypatch.setattr("morpho.workflow.state.digests_of_code", lambda: digests)
        found = State(read_config(own_demo / "config" / "study.yaml")).due
        return {(one.job.rule.step, key) for key, one in found.items()}

    return find


def rules(jobs, element=""):
    """Rules that have a job, of one element if it is named."""
    return {rule for rule, key in jobs if key.startswith(element)}


def test_verdicts_are_the_truth(demo):
    """Each query, on each element: the verdict planted in the data, and the taxon nearest."""
    with open(demo / "demo_landmarks" / "truth.csv", encoding="utf-8", newline="") as file:
        truth = list(csv.DictReader(file))
    assert {row["truth"] for row in truth} == {"outside", "inside", "undecided"}
    for row in truth:
        table = pd.read_csv(demo / "results" / row["element"] / "tables" / "verdicts.csv")
        found = table.set_index("specimen").loc[row["query"]]
        assert found["verdict"] == row["truth"], row
        if isinstance(found["nearest_taxon"], str):
            assert found["nearest_taxon"] == row["nearest_taxon"], row


def test_conclusions_are_the_truth(demo):
    """Calibration and stability leave every planted verdict standing, and the page shows it."""
    with open(demo / "demo_landmarks" / "truth.csv", encoding="utf-8", newline="") as file:
        truth = {(row["element"], row["query"]): row["truth"] for row in csv.DictReader(file)}
    page = unescape((demo / "results" / "report.html").read_text(encoding="utf-8"))
    found = {}
    for element in ("lower_jaw", "atlas"):
        table = words_of(ElementResults(demo / "results", element))
        for row in table.to_dict("records"):
            found[element, row["specimen"]] = row["verdict"]
            assert row["verdict_before"] == row["verdict"], row
            assert f"<p>{row['answer']}</p>" in page
            assert row["tried"] in page
            assert row["false_alarms_low"] <= 0.05, row
            assert row["noticed"] > 0.3 * row["left_out_members"], row
            assert row["settings_hold"] >= 0.9 * row["settings"], row
    assert found == truth


def test_the_individuals_are_the_truth(demo):
    """By both bones the cave form is outside; the others are known by one bone, or by none."""
    folder = demo / "results" / "all-elements" / "tables"
    table = pd.read_csv(folder / "individuals.csv").set_index("specimen")
    assert table["verdict"].to_dict() == {
        "BROKEN-01": "undecided", "CAVE-01": "outside", "SMALL-01": "inside",
    }  # fmt: skip
    assert table["elements"].to_dict() == {"BROKEN-01": 0, "CAVE-01": 2, "SMALL-01": 1}
    assert table.loc["CAVE-01", "combined_p_value"] <= 0.05
    sizes = pd.read_csv(folder / "proportions.csv")
    assert set(sizes["specimen"]) == {"CAVE-01"}
    assert len(sizes) == 4
    page = (demo / "results" / "report.html").read_text(encoding="utf-8")
    assert page.count("<strong>Together.</strong>") == 1


def test_the_shear_of_the_cave_forms_atlas_is_found_and_shown(demo):
    """It was sheared by 3 %: found, taken out, and drawn before and after."""
    tables = demo / "results" / "atlas" / "tables"
    row = pd.read_csv(tables / "distortion.csv").set_index("specimen").loc["CAVE-01"]
    assert 0.02 < row["shear"] < 0.05
    assert row["asymmetry_sheared"] < 0.6 * row["asymmetry_before"]
    shapes = pd.read_csv(tables / "distortion_shapes.csv")
    assert set(shapes["when"]) == {"before", "after"}
    page = (demo / "results" / "report.html").read_text(encoding="utf-8")
    assert page.count("<strong>Distortion removed") == 1
    assert "CAVE-01 was made symmetric" in page


def test_everything_is_there(demo):
    """Page and legend, and of each element figures in three formats."""
    results = demo / "results"
    assert (results / "report.html").stat().st_size > 100_000
    assert (results / "README.md").is_file()
    assert (results / "check.csv").is_file()
    for element in ("lower_jaw", "atlas"):
        for folder in ("figures", "figures/queries"):
            files = [p for p in (results / element / folder).glob("[!.]*") if p.is_file()]
            assert {p.suffix for p in files} == {".svg", ".pdf", ".png"}
        meshes = {p.suffix for p in (results / element / "meshes").glob("[!.]*")}
        assert meshes == {".ply", ".glb", ".stl"}
    # the engine notes the time of folders that a rule makes
    left = [p for p in results.rglob(".*") if p.is_file() and p.name != ".snakemake_timestamp"]
    assert left == []


def test_no_place_reaches_the_results(demo):
    """Words of the column locality stand in no file, whatever its format; its name on the page."""
    with open(demo / "demo_landmarks" / "specimens.csv", encoding="utf-8", newline="") as file:
        places = {row["locality"] for row in csv.DictReader(file)} - {""}
    assert len(places) > 2
    words = [place.encode(form) for place in places for form in ("utf-8", "utf-16-le", "utf-32-le")]
    for path in (demo / "results").rglob("*"):
        if path.is_file():
            content = path.read_bytes()
            assert not [word for word in words if word in content], path
            # the page says which columns are kept back
            assert path.name == "report.html" or b"locality" not in content, path


def test_no_path_of_the_machine_reaches_the_tables(demo):
    """A study can be moved and handed on: nothing in it tells where it was made."""
    for path in (demo / "results").rglob("*"):
        if path.suffix in (".csv", ".html", ".json", ".svg", ".md"):
            assert str(demo).encode() not in path.read_bytes(), path


def test_a_second_run_does_nothing_whatever_the_dates(run, demo):
    for name in (
        "specimens.csv",
        "landmarks/atlas/COAST-01.csv",
        "landmarks/lower_jaw/COAST-01.csv",
    ):
        os.utime(demo / "demo_landmarks" / name)
    os.utime(demo / "config" / "schemes" / "atlas.yaml")
    ran = run(demo)
    assert ran.code == 0
    assert "Nothing to be done" in ran.told


def new_atlas(own_demo, changed, name="COAST-99"):
    """A specimen that has an atlas only: its table, and its row."""
    folder = own_demo / "demo_landmarks"
    text = (folder / "landmarks/atlas/COAST-01.csv").read_text(encoding="utf-8")
    changed(f"demo_landmarks/landmarks/atlas/{name}.csv", text.replace("COAST-01", name))
    with open(folder / "specimens.csv", encoding="utf-8") as file:
        lines = file.read().splitlines()
    row = next(line for line in lines if line.startswith("COAST-01,"))
    rows = [*lines, row.replace("COAST-01", name)]
    changed("demo_landmarks/specimens.csv", "\n".join(rows) + "\n")


def test_a_new_atlas_leaves_the_lower_jaw_alone(run, own_demo, changed, due):
    """A landmark table and its row: only the atlas, the check and the report."""
    new_atlas(own_demo, changed)
    ran = run(own_demo, "--dry-run")
    assert ran.code == 0, ran.told
    assert ran.rules("lower_jaw") == set()
    assert {"prepare", "superimpose", "ordinate", "grow", "compare", "discriminate", "place",
            "calibrate", "vary", "rarefy", "conclude", "differ", "warp", "portray",
            "draw"} <= ran.rules("atlas")  # fmt: skip
    alone = {rule for rule, where in ran.jobs if not where}
    assert alone == LAST | {"all", "combine", "check"}
    assert ("draw", "element=all-elements") in ran.jobs
    # the engine does what is found to be due
    assert ran.rules() - {"all"} == rules(due())


def test_a_private_cell_runs_nothing(own_demo, changed, due):
    """Another locality: no shape depends on it."""
    path = own_demo / "demo_landmarks" / "specimens.csv"
    assert due() == set()
    changed("demo_landmarks/specimens.csv", path.read_text("utf-8").replace("Hask", "Husk"))
    assert due() == set()


def test_another_level_runs_no_geometry(own_demo, changed, due):
    """tests: alpha: verdicts and page are made again; shapes and axes are not."""
    text = (own_demo / "config" / "study.yaml").read_text(encoding="utf-8")
    changed("config/study.yaml", text.replace("alpha: 0.05", "alpha: 0.01"))
    found = due()
    verdicts = {"place", "calibrate", "vary", "rarefy", "conclude", "combine"}
    assert verdicts | {"check", "report"} <= rules(found)
    assert not rules(found) & {"prepare", "carry", "slide", "superimpose", "ordinate"}
    assert rules(found, "atlas") == rules(found, "lower_jaw")


def test_another_choice_of_figures_draws_only(own_demo, changed, due):
    text = (own_demo / "config" / "study.yaml").read_text(encoding="utf-8")
    changed("config/study.yaml", text + "\nfigures:\n  exaggeration: 2\n")
    assert rules(due()) == LAST | {"check", "draw", "portray"}


@pytest.mark.parametrize(
    ("setting", "wanted", "figures"),
    [
        ("smallest_share: 0.5", {"conclude"}, set()),
        ("error_draws: 3", {"vary", "conclude"}, {"stability"}),
        ("rarefactions: 9", {"rarefy", "conclude"}, {"adequacy", "specimens_to_decide"}),
        ("simulations: 3", {"rarefy", "conclude"}, {"adequacy", "specimens_to_decide"}),
    ],
)
def test_another_setting_of_robustness_runs_what_uses_it(
    own_demo, changed, due, setting, wanted, figures
):
    """No shape, axis or verdict is made again, and no trial that does not depend on it."""
    text = (own_demo / "config" / "study.yaml").read_text(encoding="utf-8")
    changed("config/study.yaml", f"{text}\nrobustness:\n  {setting}\n")
    found = due()
    assert rules(found) == LAST | JOINED | {"check"} | wanted
    drawn = {key.split("/")[-1] for rule, key in found if rule == "draw"}
    assert drawn == figures | {"proportions"}


@pytest.mark.parametrize(
    ("source", "text", "wanted"),
    [
        ("morpho/drawing/figures/growth.py", "changed = 1", {"draw", "report", "archive",
                                                             "finish"}),
        ("morpho/report/words/suspicions.py", "changed = 1", LAST | {"check"}),
        ("morpho/report/words/verdict.py", "changed = 1", LAST),
        ("morpho/inference/robustness/calibration.py", "changed = 1",
         LAST | JOINED | {"calibrate", "conclude"}),
        ("morpho/report/page.css.jinja", "", LAST),
        ("morpho/cli.py", "changed = 1", set()),
        ("morpho/drawing/style.py", "# changed", set()),
        ("morpho/results/store.py", "# changed", set()),
        ("morpho/study/settings/config.py", "# changed", set()),
    ],
)  # fmt: skip
def test_a_changed_source_runs_what_it_touches(own_demo, changed, due, source, text, wanted):
    changed(source, (own_demo / source).read_text(encoding="utf-8") + f"\n{text}\n")
    assert rules(due()) == wanted


def test_a_mistake_stops_everything_before_the_first_job(tables, run, own_demo, changed):
    """In a table that is fine but for one cell: nothing is run, and the old results stay."""
    before = tables(own_demo / "results")
    page = (own_demo / "results" / "report.html").read_bytes()
    name = "demo_landmarks/landmarks/atlas/COAST-01.csv"
    lines = (own_demo / name).read_text(encoding="utf-8").splitlines()
    cells = lines[1].split(",")
    lines[1] = ",".join([*cells[:5], "about ten", *cells[6:]])
    changed(name, "\n".join(lines) + "\n")
    ran = run(own_demo)
    assert ran.code == 1
    assert "COAST-01.csv" in ran.told
    assert '"about ten"' in ran.told
    assert "Nothing was run" in ran.told
    assert "Traceback" not in ran.told
    assert tables(own_demo / "results") == before
    assert (own_demo / "results" / "report.html").read_bytes() == page


def test_one_process_and_another_order_give_the_same_bytes(copy_house, tables, demo, tmp_path):
    """Rows of every input table turned round, files renamed, all in one process: the same tables.

    Of the lower jaw only what is made before its many scans come in, which would take minutes.
    """
    house = copy_house(tmp_path / "house")
    for path in (house / "demo_landmarks").rglob("*.csv"):
        if path.parent.name in ("lower_jaw", "atlas") or path.name == "specimens.csv":
            head, *rows = path.read_text(encoding="utf-8").splitlines()
            path.write_text("\n".join([head, *rows[::-1]]) + "\n", encoding="utf-8")
    study = house / "config" / "study.yaml"
    text = study.read_text(encoding="utf-8")
    text = re.sub(r"(files: \S+/\{element\}/).*\.csv", r"\1*.csv", text)
    study.write_text(text, encoding="utf-8")
    for folder in (house / "demo_landmarks" / "landmarks").iterdir():
        # the last in the alphabet comes first
        for i, path in enumerate(sorted(folder.iterdir(), reverse=True)):
            path.rename(path.with_name(f"table {i:03}.csv"))
    before = tables(demo / "results")
    early = ("specimens", "landmarks", "suspicions", "landmark_error", "digitising_error")
    names = [name for name in before if name.startswith("atlas/tables/")]
    names += [f"lower_jaw/tables/{name}.csv" for name in early]
    wanted, chosen = set(names), []
    for job in reversed(Plan(read_config(study)).jobs.values()):
        if wanted & set(job.makes):
            chosen.append(job)
            wanted |= set(job.reads)
    for job in reversed(chosen):
        assert main([job.rule.step, str(study), *job.arguments]) == 0, job.key
    after = tables(house / "results")
    different = [name for name in after if after[name] != before[name]]
    assert different == []
    assert set(names) <= set(after)
    assert len(names) > 25
    made = {"calibration", "stability", "rarefaction", "specimens_to_decide", "conclusions"}
    assert {f"atlas/tables/{name}.csv" for name in made} <= set(names)
    shutil.rmtree(house)
