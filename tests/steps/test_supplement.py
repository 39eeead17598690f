"""Files for the paper, the archive and the record, of a study run from its tables."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
import zipfile

import docx
import openpyxl
import pandas as pd
import pytest
import yaml

from helpers import invented
from helpers.told import change_words
from morpho.report.paper.tables import manuscript_tables
from morpho.results.store import read_tables
from morpho.results.tables import TABLES
from morpho.steps.__main__ import STEPS
from morpho.steps.prepare import check
from morpho.steps.provenance import mark_start, read_record, record
from morpho.steps.show import archive, finish, supplement
from morpho.study.check import check_study
from morpho.study.reading.problems import StudyError
from morpho.study.settings.config import read_config
from morpho.workflow.state import State

pytestmark = pytest.mark.whole


HOSTILE = ["<img src=x onerror=alert(1)>", "=cmd()", "</script>", "+1", "@x"]
SECRET = "Geheimes Tal"
# Steps that look at all elements, and those that need figures or scans.
_WHOLE = {"check", "combine", "report", "supplement", "archive", "finish"}
_SKIPPED = {"carry", "draw", "report", "supplement", "archive", "finish"}


@pytest.fixture(scope="module")
def ran(tmp_path_factory):
    """A study with hostile names and private columns, analysed, with its supplement."""
    taxa = {f"{HOSTILE[0]} kin": 5, "=1+1": 5, "@kin": 5}
    queries = {HOSTILE[1]: "=1+1", HOSTILE[2]: "own"}
    n = sum(taxa.values()) + len(queries)
    study = invented.InventedStudy(
        tmp_path_factory.mktemp("supplement") / "study",
        taxa,
        queries,
        columns={
            "locality": [f"{SECRET} {i}" for i in range(n)],
            "finder": ["Nemo Niemand"] * n,
            "sex": ["female"] * n,
        },
        settings={
            "title": f"Title {HOSTILE[0]}",
            "notice": f"Notice {HOSTILE[2]}",
            "robustness": {"rarefactions": 2, "simulations": 0, "error_draws": 2},
        },
        elements=("bone", "rib"),
        replicates=2,
    )
    study.study["specimens"]["private"] = ["finder"]
    study.rows[0]["specimen"], study.rows[6]["specimen"] = HOSTILE[3], HOSTILE[4]
    study.write()
    with invented.sketched():
        for step in STEPS:
            if step in _SKIPPED:
                continue
            for element in [()] if step in _WHOLE else [(name,) for name in study.elements]:
                assert study.step(step, *element) == 0, step
    mark_start(study.config)
    supplement.run(study.config)
    archive.run(study.config)
    finish.run(study.config)
    return study


def csv_of(study, element, name):
    path = study.config.results / element / "tables" / f"{name}.csv"
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.reader(file))


def matches(cell, text):
    if cell is None:
        return text == ""
    if isinstance(cell, bool):
        return str(cell) == text
    if isinstance(cell, int | float):
        return float(text) == cell
    return cell == text


def test_the_workbook_equals_the_csv_of_every_table(ran):
    """Read by openpyxl, row by row; the CSV itself is untouched, so that it still joins by name."""
    book = openpyxl.load_workbook(ran.config.results / "supplement" / "tables.xlsx")
    assert book.sheetnames[0] == "legend"
    seen = 0
    for name in TABLES:
        rows = [list(row) for row in book[name].iter_rows(values_only=True)]
        head = rows[0]
        body = rows[1:]
        for element in ran.elements:
            wanted = csv_of(ran, element, name)
            mine = [row for row in body if row[0] == element]
            assert len(mine) == len(wanted) - 1, name
            columns = [head.index(column) for column in wanted[0]]
            for row, texts in zip(mine, wanted[1:], strict=True):
                for place, text in zip(columns, texts, strict=True):
                    assert matches(row[place], text), (name, head[place], row[place], text)
                    seen += 1
    assert seen > 3000
    names = {cell for row in book["specimens"].iter_rows(values_only=True) for cell in row}
    assert set(HOSTILE) - {HOSTILE[0]} <= names
    assert {row[0] for row in csv_of(ran, "bone", "specimens")} >= set(HOSTILE[1:])
    for sheet in book:
        for row in sheet.iter_rows():
            assert all(cell.data_type != "f" for cell in row)


def test_the_word_tables_equal_the_rounded_csv(ran):
    """python-docx reads what the tables hold, hostile names among them."""
    document = docx.Document(ran.config.results / "supplement" / "tables.docx")
    tables = {name: read_tables(ran.config.results, name) for name in ran.config.elements}
    printed = manuscript_tables(tables, read_tables(ran.config.results))
    assert len(document.tables) == len(printed) > 6
    for grid, table in zip(document.tables, printed, strict=True):
        cells = [tuple(cell.text for cell in row.cells) for row in grid.rows]
        assert cells == [table.head, *table.rows]
    text = "\n".join(cell.text for grid in document.tables for r in grid.rows for cell in r.cells)
    assert HOSTILE[1] in text
    # numbers against the CSV, not against the tables as read by the program
    [distances] = [t for t in printed if t.name == "pairwise_distances"]
    headings = list(TABLES["pairwise_distances"].headings("paper"))
    wanted = [
        row
        for element in ran.elements
        for row in csv.DictReader(
            (ran.config.results / element / "tables/pairwise_distances.csv").open(encoding="utf-8")
        )
    ]
    place = headings.index("distance") + 1
    for row, source in zip(distances.rows, wanted, strict=True):
        assert abs(float(row[place]) - float(source["distance"])) < 0.0051 * float(
            source["distance"]
        )


def test_words_name_every_query_and_escape_what_is_hostile(ran):
    folder = ran.config.results / "supplement"
    plain = (folder / "methods.txt").read_text(encoding="utf-8")
    markdown = (folder / "methods.md").read_text(encoding="utf-8")
    assert f"Title {HOSTILE[0]}" in plain
    for name in (HOSTILE[1], HOSTILE[2]):
        assert name in plain
    assert not re.search(r"(?<!\\)<", markdown)
    cited = set(re.findall(r"@([a-z]+\d{4})", markdown))
    keys = re.findall(r"^@[a-z]+\{([^,]+),", (folder / "references.bib").read_text(), re.MULTILINE)
    assert cited == set(keys)
    assert set(supplement.FILES) == {path.name for path in folder.iterdir()}


def test_the_same_study_gives_the_same_supplement(ran):
    folder = ran.config.results / "supplement"
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    supplement.run(ran.config)
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


# ---------------------------------------------------------------- privacy


def everything(ran):
    """Every file of the results, and of the archive in it."""
    for path in sorted(ran.config.results.rglob("*")):
        if path.is_file():
            yield path.name, path.read_bytes()
            if path.suffix in (".zip", ".xlsx", ".docx"):
                with zipfile.ZipFile(path) as packed:
                    for name in packed.namelist():
                        yield name, name.encode() + packed.read(name)


def test_nothing_private_is_anywhere(ran):
    """Neither a locality nor a column listed as private; no path or user of the machine."""
    count = 0
    for name, content in everything(ran):
        count += 1
        for word in (SECRET, "Nemo", "locality", "finder", str(ran.folder), ran.folder.parent.name):
            assert word.encode() not in content, (name, word)
    assert count > 60
    with zipfile.ZipFile(ran.config.results / "archive.zip") as packed:
        head = packed.read("study/specimens.csv").decode().splitlines()[0]
    assert head == "specimen,taxon,role,side,stage,sex"


@pytest.mark.parametrize(
    ("file", "content"),
    [
        ("schemes/bone.yaml", "description: found in {}\n"),
        ("results/report.html", "<td>from <b>{}</b></td>"),
        ("results/supplement/methods.md", "It is from\n{}, they say."),
        ("results/bone/notes/grow.json", '["{}"]'),
    ],
)
def test_private_texts_elsewhere_stop_the_archive(ran, tmp_path, file, content):
    """Inside a cell or a sentence, in capitals; a list of study.yaml lets it through."""
    shutil.copytree(ran.folder, tmp_path / "s")
    path = tmp_path / "s" / file
    before = path.read_text(encoding="utf-8") if path.is_file() else ""
    path.write_text(before + content.format(f"{SECRET.upper()} 3"), encoding="utf-8")
    (tmp_path / "s/results/archive.zip").unlink()
    with pytest.raises(StudyError, match=rf'"locality" holds in line 5(.|\n)*{file}') as refused:
        archive.run(read_config(tmp_path / "s"))
    assert not (tmp_path / "s/results/archive.zip").exists()
    assert SECRET not in str(refused.value)  # logs are kept with the results
    study = yaml.safe_load((tmp_path / "s/study.yaml").read_text(encoding="utf-8"))
    study["specimens"]["public_words"] = [f"{SECRET} 3"]
    (tmp_path / "s/study.yaml").write_text(yaml.safe_dump(study), encoding="utf-8")
    archive.run(read_config(tmp_path / "s"))
    assert (tmp_path / "s/results/archive.zip").is_file()


def test_a_private_text_in_the_workbook_stops_the_archive(ran, tmp_path):
    """What is packed is looked through as well."""
    shutil.copytree(ran.folder, tmp_path / "s")
    path = tmp_path / "s/results/supplement/tables.xlsx"
    book = openpyxl.load_workbook(path)
    book["legend"]["A1"] = f"see {SECRET} 3."
    book.save(path)
    with pytest.raises(StudyError, match=r"tables\.xlsx"):
        archive.run(read_config(tmp_path / "s"))


def test_comments_and_folders_are_not_published(ran, tmp_path):
    """A comment of a scheme, and folders that are called after a site or a person."""
    home = tmp_path / "Nemo" / "Verborgenes Loch"
    shutil.copytree(ran.folder, home, ignore=shutil.ignore_patterns("results"))
    scheme = home / "schemes/bone.yaml"
    scheme.write_text("# from the Verborgenes Loch\n" + scheme.read_text(encoding="utf-8"))
    (home / "schemes").rename(home / "schemes of Nemo")
    for name in ("bone", "rib"):
        (home / f"exports of Nemo/{name}/Verborgenes Loch").mkdir(parents=True)
        (home / f"landmarks/{name}/all.csv").rename(
            home / f"exports of Nemo/{name}/Verborgenes Loch/all.csv"
        )
    study = yaml.safe_load((home / "study.yaml").read_text(encoding="utf-8"))
    study["landmarks"]["files"] = "exports of Nemo/{element}/*/*.csv"
    for element in study["elements"].values():
        element["scheme"] = element["scheme"].replace("schemes", "schemes of Nemo")
    (home / "study.yaml").write_text(yaml.safe_dump(study), encoding="utf-8")
    config = read_config(home)
    assert check.run(config) is None
    made = json.dumps(record(config))
    entries = archive._archive_entries(config)
    assert {"study/landmarks/bone/1/all.csv", "study/schemes/rib.yaml"} <= {e.name for e in entries}
    for word in ("Nemo", "Verborgen", str(tmp_path)):
        assert word not in made
        for entry in entries:
            content = entry.content
            content = content if isinstance(content, bytes) else content.read_bytes()
            # Nemo is a finder too, which stays out in any case
            assert word not in entry.name, entry.name
            assert word.encode() not in content, entry.name
    config.results.mkdir(exist_ok=True)
    archive.run(config)
    _, problems = check_study(unpacked(config, tmp_path / "out") / "study")
    assert not problems.errors, problems.render()


def test_private_columns_of_landmark_tables_stay_out_too(ran, tmp_path):
    """An export may carry the site in every row; what is read as a coordinate stays in."""
    shutil.copytree(ran.folder, tmp_path / "s", ignore=shutil.ignore_patterns("results"))
    path = tmp_path / "s/landmarks/bone/all.csv"
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    table = table.rename(columns={"x": "coord x"}).assign(site=SECRET, instrument="caliper")
    table.to_csv(path, index=False)
    (tmp_path / "s/landmarks/rib/all.csv").unlink()
    study = yaml.safe_load((tmp_path / "s/study.yaml").read_text(encoding="utf-8"))
    study["landmarks"]["columns"] = {"x": "coord x"}
    (tmp_path / "s/study.yaml").write_text(yaml.safe_dump(study), encoding="utf-8")
    entries = {e.name: e for e in archive._archive_entries(read_config(tmp_path / "s"))}
    content = entries["study/landmarks/bone/all.csv"].content
    assert isinstance(content, bytes)
    assert content.decode().splitlines()[0] == "specimen,replicate,landmark,coord x,y,z,instrument"
    assert SECRET.encode() not in content


# ---------------------------------------------------------------- archive


def unpacked(config, folder):
    with zipfile.ZipFile(config.results / "archive.zip") as packed:
        packed.extractall(folder)
    return folder


def test_the_archived_study_can_be_run_again(ran, tmp_path):
    """Its study.yaml is sound, its tables are those of the study, and results come out again."""
    folder = unpacked(ran.config, tmp_path / "out")
    _, problems = check_study(folder / "study")
    assert not problems.errors, problems.render()
    config = read_config(folder / "study")
    again = invented.main(["prepare", str(config.path), "bone"])
    assert again == 0
    for name in ("specimens", "landmarks"):
        new = (config.results / "bone" / "tables" / f"{name}.csv").read_bytes()
        assert new == (ran.config.results / "bone" / "tables" / f"{name}.csv").read_bytes()
    for key, value in ran.config.settings.plain().items():
        if key not in ("specimens", "landmarks", "elements", "results"):
            assert config.settings.plain()[key] == value, key


def test_files_from_elsewhere_get_a_place_in_the_archive(ran, tmp_path):
    """Absolute paths and paths that climb lead into the archive's own folders."""
    home = tmp_path / "somebody" / "study"
    shutil.copytree(ran.folder, home, ignore=shutil.ignore_patterns("results"))
    away = tmp_path / "disc {a}" / "exports"
    away.mkdir(parents=True)
    for name in ("bone", "rib"):
        (home / "landmarks" / name).rename(away / name)
    (home / "specimens.csv").rename(tmp_path / "somebody" / "list.csv")
    study = yaml.safe_load((home / "study.yaml").read_text(encoding="utf-8"))
    study["specimens"]["file"] = "../list.csv"
    # a brace of a folder's name would be read as a placeholder, so this one is a link
    (tmp_path / "disc").symlink_to(tmp_path / "disc {a}")
    study["landmarks"]["files"] = [f"{tmp_path}/disc/exports/{{element}}/*.csv", "none/*.csv"]
    (home / "study.yaml").write_text(yaml.safe_dump(study), encoding="utf-8")
    config = read_config(home)
    entries = {one.name: one for one in archive._archive_entries(config)}
    assert {"study/list.csv", "study/landmarks/bone/all.csv"} <= set(entries)
    written = yaml.safe_load(entries["study/study.yaml"].content)
    assert written["specimens"]["file"] == "list.csv"
    assert written["landmarks"]["files"] == "landmarks/{element}/*.csv"
    for name, one in entries.items():
        if isinstance(one.content, bytes):
            assert str(tmp_path).encode() not in one.content, name
            assert b"somebody" not in one.content, name
    config.results.mkdir(exist_ok=True)
    archive.run(config)
    _, problems = check_study(unpacked(config, tmp_path / "out") / "study")
    assert not problems.errors, problems.render()


def test_scans_only_go_in_where_they_are_wanted(ran, tmp_path):
    shutil.copytree(ran.folder, tmp_path / "s", ignore=shutil.ignore_patterns("results"))
    study = yaml.safe_load((tmp_path / "s/study.yaml").read_text(encoding="utf-8"))
    study["scans"] = {"files": "scans/{element}/{specimen}.ply"}
    (tmp_path / "s/study.yaml").write_text(yaml.safe_dump(study), encoding="utf-8")
    scan = tmp_path / "s/scans/bone/x.ply"
    scan.parent.mkdir(parents=True)
    scan.write_bytes(b"ply")
    config = read_config(tmp_path / "s")
    without = {one.name for one in archive._archive_entries(config)}
    with_them = {one.name for one in archive._archive_entries(config, scans=True)}
    assert with_them - without == {"study/scans/bone/x.ply"}
    assert record(config)["inputs"]["scans/bone/x.ply"]


def test_what_an_earlier_run_left_behind_stays_out(ran, tmp_path):
    """Elements and tables that the study no longer has are not published as its results."""
    shutil.copytree(ran.folder, tmp_path / "s")
    for stale in ("old/tables/verdicts.csv", "bone/tables/stale.csv", "bone/arrays/a.npz",
                  "logs/x.log", "notes.txt"):  # fmt: skip
        path = tmp_path / "s/results" / stale
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("x")
    names = {one.name for one in archive._archive_entries(read_config(tmp_path / "s"))}
    before = {one.name for one in archive._archive_entries(ran.config)}
    assert names == before
    assert "results/bone/tables/verdicts.csv" in names
    assert "results/supplement/tables.xlsx" in names


def test_the_archive_is_the_same_on_another_day(ran, monkeypatch):
    path = ran.config.results / "archive.zip"
    before = path.read_bytes()
    monkeypatch.setattr("morpho.steps.provenance._now", lambda: "2031-01-01T00:00:00+00:00")
    archive.run(ran.config)
    assert path.read_bytes() == before


# ---------------------------------------------------------------- record and history


def test_the_record_tells_of_what_the_results_are_made(ran):
    found = read_record(ran.config.results)
    assert found["seed"] == ran.config.settings.seed
    assert "command" not in found
    assert found["started"] <= found["finished"]
    assert set(found["inputs"]) == {
        "specimens.csv", "schemes/bone.yaml", "schemes/rib.yaml", "landmarks/bone/all.csv",
        "landmarks/rib/all.csv",
    }  # fmt: skip
    # its sum of the specimen table is that of the table in the archive
    with zipfile.ZipFile(ran.config.results / "archive.zip") as packed:
        sums = packed.read("checksums.txt").decode()
    assert f"{found['inputs']['specimens.csv']}  study/specimens.csv\n" in sums
    assert not any(name.startswith(("history", "logs")) for name in found["results"])


def test_a_changed_landmark_is_told_and_the_next_run_says_so(ran, tmp_path):
    """The whole way: change, status, run, sentences; nothing once it is the last run."""
    shutil.copytree(ran.folder, tmp_path / "s")
    config = read_config(tmp_path / "s")
    assert finish.changes_since_last_run(config) == {}
    path = tmp_path / "s/landmarks/bone/all.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    cells = lines[1].split(",")
    cells[-1] = f"{float(cells[-1]) + 0.5:.6f}"
    lines[1] = ",".join(cells)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    told = {one.what for one in State(config).differences() if one.kind == "input"}
    assert told == {"landmarks/bone/all.csv"}
    words = change_words(finish.changes_since_last_run(config))
    assert list(words) == ["bone"]
    changed, *still = words["bone"]
    assert changed == f"Digitised otherwise than before: {cells[0]}."
    # the results are those of before, so that each verdict is, too
    assert len(still) == 2
    assert all(one.endswith("with the same p-values.") for one in still)
    kept = config.results / "history"
    last = json.loads((kept / "last_run.json").read_text())
    finish.run(config)
    assert finish.changes_since_last_run(config) == {}
    assert json.loads((kept / "run_before.json").read_text()) == last


def test_rows_and_files_in_another_order_are_no_change(ran, tmp_path):
    shutil.copytree(ran.folder, tmp_path / "s")
    path = tmp_path / "s/landmarks/bone/all.csv"
    head, *rows = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join([head, *rows[::-1]]) + "\n", encoding="utf-8")
    assert finish.changes_since_last_run(read_config(tmp_path / "s")) == {}


def test_finishing_twice_keeps_the_run_before(ran, tmp_path):
    """A run that changes nothing does not push out what was kept."""
    shutil.copytree(ran.folder, tmp_path / "s")
    config = read_config(tmp_path / "s")
    kept = config.results / "history"
    before = (kept / "last_run.json").read_bytes()
    finish.run(config)
    assert (kept / "last_run.json").read_bytes() == before
    assert not (kept / "run_before.json").exists()


def test_a_broken_history_is_no_trouble(ran, tmp_path):
    shutil.copytree(ran.folder, tmp_path / "s")
    config = read_config(tmp_path / "s")
    (config.results / "history" / "last_run.json").write_text("{")
    assert finish.changes_since_last_run(config) == {}
    finish.run(config)
    assert finish.changes_since_last_run(config) == {}


def test_names_in_memory_are_those_of_the_zip(ran):
    """What is listed is what is written."""
    listed = {one.name for one in archive._archive_entries(ran.config)}
    with zipfile.ZipFile(io.BytesIO((ran.config.results / "archive.zip").read_bytes())) as packed:
        assert set(packed.namelist()) == listed | {"README.md", "checksums.txt"}
