# Helpers of the Snakefile: the study in hand, input functions, and what makes a
# rule run again beyond the age of its input.

import os
import subprocess
import sys
from functools import cache
from hashlib import sha256
from pathlib import Path
from shlex import quote

from snakemake.settings.types import DeploymentMethod

HOUSE = Path(workflow.basedir)
sys.path.insert(0, str(HOUSE))

from morpho.report.legend import JOINED, TABLES
from morpho.steps.sources import code_digest
from morpho.study.config import read_config
from morpho.study.digest import element_digest, settings_digest
from morpho.study.files import safe_name
from morpho.study.problems import Problems, StudyError
from morpho.study.results_folder import cannot_be_written, check_results_folder
from morpho.study.scheme import read_scheme
from morpho.study.tables import read_table

if len(workflow.configfiles) > 1:
    sys.exit("Give one --configfile: the study.yaml of the study to run.")
if workflow.config_settings.config:
    sys.exit(
        "Settings are not taken from --config: change them in study.yaml, so that the "
        "results can be made again from the files alone."
    )
_study = Path(
    workflow.configfiles[0] if workflow.configfiles else HOUSE / "config" / "study.yaml"
).resolve()
try:
    STUDY_CONFIG = read_config(_study)
    # here as well as in the check: Snakemake makes its own folder before the check
    _folder = Problems(base=_study.parent)
    check_results_folder(STUDY_CONFIG, _folder)
    _folder.raise_if_errors()
except StudyError as error:
    print(error, file=sys.stderr)
    sys.exit("The study cannot be run: see the problems above.")

# Snakemake keeps its records beside the results; paths are told from there, so that a
# study can be moved.
WORKDIR = str(STUDY_CONFIG.results.parent)
STUDY = os.path.relpath(_study, WORKDIR)
R = STUDY_CONFIG.results.name
ELEMENTS = list(STUDY_CONFIG.elements)
# within functions, the name of the directive is no name of a function
in_report = report
CAPTIONS = HOUSE / "config" / "captions"
ENVIRONMENT = str(HOUSE / "config" / "environment.yaml")

# How steps are called: with the Python that runs Snakemake, unless environments are
# made by conda.
_conda = DeploymentMethod.CONDA in workflow.deployment_settings.deployment_method
_python = "python" if _conda else quote(sys.executable)
_step = f"PYTHONPATH={quote(str(HOUSE))} {_python} -P -m morpho.steps"
shell.prefix(
    'set -euo pipefail; step() {{ %s "$@"; }}; '
    % _step.replace("{", "{{").replace("}", "}}")
)

# Files of the supplement; morpho/steps/supplement.py says what each is.
SUPPLEMENT = (
    "tables.xlsx",
    "tables.docx",
    "tables.tex",
    "methods.md",
    "methods.txt",
    "references.bib",
)

# Steps that leave notes, and each figure with what it is drawn from.
NOTES = (
    "screen",
    "prepare",
    "slide",
    "measure",
    "superimpose",
    "ordinate",
    "grow",
    "compare",
    "discriminate",
    "place",
    "differ",
    "warp",
)
FIGURES = {
    "shape_space": ["tables/shape_scores.csv", "tables/variance_per_axis.csv"],
    "variance_per_axis": ["tables/variance_per_axis.csv"],
    "growth": ["tables/growth.csv", "notes/grow.json"],
    "canonical_axes": ["tables/canonical_scores.csv", "tables/canonical_axes.csv"],
    "distances": [
        "tables/membership.csv",
        "tables/spread.csv",
        "notes/measure.json",
    ],
    "calibration": ["tables/calibration_summary.csv"],
    "stability": ["tables/stability.csv"],
    "trajectories": [
        "tables/trajectories.csv",
        "tables/spread.csv",
        "tables/centroid_size.csv",
    ],
    "adequacy": ["tables/rarefaction.csv"],
    "specimens_to_decide": ["tables/specimens_to_decide.csv"],
    "mean_shape": [
        "tables/mean_shape.csv",
        "notes/slide.json",
        "notes/superimpose.json",
    ],
    "axis_shapes": [
        "tables/mean_shape.csv",
        "tables/axis_shapes.csv",
        "notes/slide.json",
        "notes/superimpose.json",
    ],
    "distortion": [
        "tables/distortion_shapes.csv",
        "notes/slide.json",
        "notes/superimpose.json",
    ],
    "landmark_error": [
        "tables/mean_shape.csv",
        "tables/landmark_error.csv",
        "notes/slide.json",
        "notes/superimpose.json",
    ],
}


def _from_here(path):
    return os.path.relpath(path, WORKDIR)


def check_or_stop():
    """Tell every problem of the input at once, and stop if one of them is an error."""
    command = [sys.executable, "-P", "-m", "morpho.steps", "check", str(_study), "look"]
    environment = os.environ | {"PYTHONPATH": str(HOUSE)}
    if subprocess.run(command, env=environment).returncode:
        sys.exit("Nothing was run: see the problems of the input above.")
    # not above: it takes longer to import than a run with nothing to do
    from morpho.steps.provenance import mark_start

    try:
        mark_start(STUDY_CONFIG, sys.argv)
    except OSError as error:
        print(
            *cannot_be_written(STUDY_CONFIG.results, error), sep="\n", file=sys.stderr
        )
        sys.exit("Nothing was run.")


def landmark_files(wildcards):
    """Landmark tables of an element, as they are now: new files are found here."""
    return [_from_here(path) for path in STUDY_CONFIG.landmark_files(wildcards.element)]


def all_inputs():
    """Every file the user wrote that exists; the check says which are missing."""
    paths = [_study, STUDY_CONFIG.specimens_file]
    for element in ELEMENTS:
        paths += [STUDY_CONFIG.scheme_path(element)]
        paths += STUDY_CONFIG.landmark_files(element)
        pattern = STUDY_CONFIG.scan_pattern
        paths += pattern.files(element=element) if pattern else []
    return sorted({_from_here(path) for path in paths if path and Path(path).is_file()})


def tables(*names):
    """Tables of an element, by name."""
    return [
        in_report(
            f"{R}/{{element}}/tables/{name}.csv",
            caption=str(CAPTIONS / "tables" / f"{name}.rst"),
            category="{element}",
            subcategory="tables",
            labels={"table": name},
        )
        for name in names
    ]


def joined():
    """Tables that join all elements."""
    return [
        in_report(
            f"{R}/all-elements/tables/{name}.csv",
            caption=str(CAPTIONS / "tables" / f"{name}.rst"),
            category="all elements",
            subcategory="tables",
            labels={"table": name},
        )
        for name in JOINED
    ]


def drawn_from(wildcards):
    """Tables and notes that a figure is drawn from."""
    return [f"{R}/{wildcards.element}/{name}" for name in FIGURES[wildcards.figure]]


def code(step):
    """Digest of the sources that a step runs: a changed method makes it run again."""
    return code_digest(HOUSE / "morpho", f"steps.{step}")


def settings(*keys):
    """Digest of parts of study.yaml, or of all of it."""
    return settings_digest(STUDY_CONFIG, *(keys or STUDY_CONFIG.settings))


def shared_inputs(wildcards):
    """Digest of what an element uses of the files that all elements share."""
    return element_digest(STUDY_CONFIG, wildcards.element)


def scheme(wildcards):
    """Digest of an element's scheme."""
    path = STUDY_CONFIG.scheme_path(wildcards.element)
    # one that is not there is told by the check, before the first job
    return sha256(path.read_bytes()).hexdigest()[:16] if path.is_file() else "absent"


@cache
def _patches(element):
    """Patches of an element that are carried to scans."""
    chosen = STUDY_CONFIG.settings["preparation"]["semilandmarks"]["patches"]
    if not chosen or STUDY_CONFIG.scan_pattern is None:
        return ()
    try:
        scheme = read_scheme(STUDY_CONFIG.scheme_path(element), element)
    except StudyError:  # told by the check, before the first job
        return ()
    return () if scheme.symmetry == "object" else scheme.patches


def _templates(element):
    """Names that the templates' files bear; None where one is found among all specimens."""
    names = [patch.template for patch in _patches(element)]
    return {name and safe_name(name) for name in names}


def scans_of(wildcards):
    """Scans of an element that are there."""
    pattern = STUDY_CONFIG.scan_pattern
    paths = pattern.files(element=wildcards.element) if pattern else []
    return sorted(_from_here(path) for path in paths)


@cache
def _named_files(element, name):
    """Landmark tables of one specimen, where their paths tell; else all of the element."""
    files = STUDY_CONFIG.landmark_files(element)
    told = [
        path
        for path in files
        for pattern in STUDY_CONFIG.landmark_patterns
        if (pattern.values(path) or {}).get("specimen") == name
    ]
    return told or files


@cache
def _scans(element):
    """Scans of an element by the names that their files bear."""
    pattern = STUDY_CONFIG.scan_pattern
    return {
        pattern.values(path)["specimen"]: path
        for path in pattern.files(element=element)
    }


def carried_tables(wildcards):
    """Tables of carried points of an element: one for each scan of a digitised specimen."""
    if not _patches(wildcards.element):
        return []
    told = {
        (pattern.values(path) or {}).get("specimen")
        for path in STUDY_CONFIG.landmark_files(wildcards.element)
        for pattern in STUDY_CONFIG.landmark_patterns
    }
    names = sorted(_scans(wildcards.element))
    return [
        f"{R}/{wildcards.element}/tables/carried/{name}.csv"
        for name in names
        if name in told or told == {None}
    ]


def carried_from(wildcards):
    """What the points of one specimen are carried from: its files and the templates'."""
    element, scans = wildcards.element, _scans(wildcards.element)
    names = {wildcards.name, *_templates(element)}
    if None in names:
        names = {wildcards.name, *scans}
    paths = [scans[name] for name in names if name in scans]
    for name in names:
        paths += _named_files(element, name)
    return sorted({_from_here(path) for path in paths})


def carried_by(wildcards):
    """Digest of the scheme and of the specimen table's rows that carrying depends on."""
    names = {wildcards.name, *_templates(wildcards.element)}
    part = STUDY_CONFIG.settings["specimens"]
    table = read_table(STUDY_CONFIG.specimens_file, Problems(), part["delimiter"])
    if None in names or table is None:
        return element_digest(STUDY_CONFIG, wildcards.element)
    private = set(STUDY_CONFIG.private_columns(table.header))
    kept = [i for i, column in enumerate(table.header) if column not in private]
    rows = [[row[i].strip() for i in kept] for row in table.rows]
    rows = sorted(row for row in rows if names & set(map(safe_name, row)))
    return sha256(repr(rows).encode()).hexdigest()[:16] + scheme(wildcards)
