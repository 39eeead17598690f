# Helpers of the Snakefile: the study in hand, input functions, and what makes a
# rule run again beyond the age of its input.

import os
import subprocess
import sys
from pathlib import Path
from shlex import quote

from snakemake.settings.types import DeploymentMethod

HOUSE = Path(workflow.basedir)
sys.path.insert(0, str(HOUSE))

from morpho.report.legend import TABLES
from morpho.steps.sources import code_digest
from morpho.study.config import read_config
from morpho.study.digest import element_digest, settings_digest
from morpho.study.problems import StudyError

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
except StudyError as error:
    print(error, file=sys.stderr)
    sys.exit("The study cannot be run: see the problems above.")

# Snakemake keeps its records beside the results; paths are told from there, so that a
# study can be moved.
WORKDIR = str(STUDY_CONFIG.results.parent)
STUDY = os.path.relpath(_study, WORKDIR)
R = STUDY_CONFIG.results.name
ELEMENTS = list(STUDY_CONFIG.elements)
ENVIRONMENT = str(HOUSE / "config" / "environment.yaml")

# How steps are called: with the Python that runs Snakemake, unless environments are
# made by conda.
_conda = DeploymentMethod.CONDA in workflow.deployment_settings.deployment_method
_python = "python" if _conda else quote(sys.executable)
_step = f"PYTHONPATH={quote(str(HOUSE))} {_python} -m morpho.steps"
shell.prefix('step() {{ %s "$@"; }}; ' % _step.replace("{", "{{").replace("}", "}}"))

# Each figure with the tables and notes that it is drawn from.
FIGURES = {
    "shape_space": ["tables/shape_scores.csv", "tables/variance_per_axis.csv"],
    "variance_per_axis": ["tables/variance_per_axis.csv"],
    "growth": ["tables/growth.csv", "notes/grow.json"],
    "canonical_axes": ["tables/canonical_scores.csv", "tables/canonical_axes.csv"],
    "distances": ["tables/membership.csv", "tables/spread.csv"],
    "mean_shape": [
        "tables/mean_shape.csv",
        "notes/prepare.json",
        "notes/superimpose.json",
    ],
    "axis_shapes": [
        "tables/mean_shape.csv",
        "tables/axis_shapes.csv",
        "notes/prepare.json",
        "notes/superimpose.json",
    ],
}


def _from_here(path):
    return os.path.relpath(path, WORKDIR)


def check_or_stop():
    """Tell every problem of the input at once, and stop if one of them is an error."""
    command = [sys.executable, "-m", "morpho.steps", "check", str(_study), "look"]
    environment = os.environ | {"PYTHONPATH": str(HOUSE)}
    if subprocess.run(command, env=environment).returncode:
        sys.exit("Nothing was run: see the problems of the input above.")


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
    return [f"{R}/{{element}}/tables/{name}.csv" for name in names]


def drawn_from(wildcards):
    """Tables and notes that a figure is drawn from."""
    return [f"{R}/{wildcards.element}/{name}" for name in FIGURES[wildcards.figure]]


def code(step):
    """Digest of the sources that a step runs: a changed method makes it run again."""
    return code_digest(HOUSE / "morpho", f"steps.{step}")


def settings(*keys):
    """Digest of parts of study.yaml, or of all of it."""
    return settings_digest(STUDY_CONFIG, *keys)


def shared_inputs(wildcards):
    """Digest of what an element uses of the files that all elements share."""
    return element_digest(STUDY_CONFIG, wildcards.element)


def covariates(wildcards):
    """The same, where the model uses columns of the specimen table."""
    terms = STUDY_CONFIG.settings["model"]["terms"]
    plain = all(term in ("size", "taxon") for term in terms if isinstance(term, str))
    return "" if plain else element_digest(STUDY_CONFIG, wildcards.element)
