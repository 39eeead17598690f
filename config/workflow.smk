# Helpers of the Snakefile: the study in hand, what of it is due, and how steps are called.
#
# What holds is decided by content (morpho/workflow), never by dates or by Snakemake's own
# records: the workflow holds the jobs that are due, and Snakemake does them in order.

import atexit
import os
import subprocess
import sys
from functools import cache
from pathlib import Path
from shlex import quote

from snakemake.settings.types import RerunTrigger

HOUSE = Path(workflow.basedir)
if (HOUSE / "morpho").is_dir():  # else it lies within the package, which is installed
    sys.path.insert(0, str(HOUSE))

from morpho.results.figures import FIGURES
from morpho.study.settings.config import read_config
from morpho.study.reading.problems import Problems, StudyError
from morpho.study.checks.results_folder import cannot_be_written, check_results_folder
from morpho.workflow.at_work import UnderWayError, claim, make_free, release
from morpho.workflow.plan import ALL_ELEMENTS, Plan
from morpho.workflow.rules import BY_STEP, outputs
from morpho.workflow.state import ANEW, BEGUN, State

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

# How steps are called: with the Python that runs Snakemake.
_step = f"PYTHONPATH={quote(str(HOUSE))} {quote(sys.executable)} -P -m morpho.steps --if-due"
shell.prefix(
    'set -euo pipefail; step() {{ %s "$@"; }}; '
    % _step.replace("{", "{{").replace("}", "}}")
)


def _below(path):
    """Path of a result as rules name it."""
    return f"{R}/{path}"


def _forced():
    """Rules that are to be called again whatever holds, as they were named to Snakemake."""
    asked = workflow.dag_settings
    if asked.forceall:
        return set(BY_STEP)
    return set(asked.forcerun) | (set(asked.targets) if asked.forcetargets else set())


def _begin():
    """See that no other run of the study is under way, and clear away what a killed one left."""
    try:
        for said in make_free(STUDY_CONFIG):
            print(said, file=sys.stderr)
        claim(STUDY_CONFIG)
    except UnderWayError as error:
        print(error, file=sys.stderr)
        sys.exit("Nothing was run.")
    except OSError as error:
        print(
            *cannot_be_written(STUDY_CONFIG.results, error), sep="\n", file=sys.stderr
        )
        sys.exit("Nothing was run.")
    atexit.register(release, STUDY_CONFIG, os.getpid())


@cache
def state():
    """What holds of the results, looked up once, when Snakemake asks for the first job."""
    if workflow.is_main_process:
        # dates and Snakemake's own records have no say, nor have its marks of what was cut off
        workflow.dag_settings.rerun_triggers = {RerunTrigger.MTIME}
        workflow.dag_settings.force_incomplete = True
        if _forced():
            os.environ[ANEW] = "yes"
        if workflow.executor_plugin is not None and not workflow.dryrun:
            _begin()
    try:
        found = State(STUDY_CONFIG, forced=_forced())
        # within a job of a cluster, the job itself is all that is asked for
        return found, set(found.due if workflow.is_main_process else found.plan.jobs)
    except StudyError as error:
        print(error, file=sys.stderr)
        sys.exit("The study cannot be run: see the problems above.")


def _asked_by(keys):
    """Something that each job makes, for Snakemake to ask for: all it makes comes with it."""
    return [_below(state()[0].plan.jobs[key].makes[0]) for key in keys]


def everything_due(wildcards):
    """What there is to make: all that is lost, edited, or made from something else."""
    # what is there already, so that a run with nothing to do says so
    return _asked_by(state()[1]) or [STUDY]


def due_before(step, element=""):
    """What has to be made before a call of a rule: results that it reads and that are due."""

    def found(wildcards):
        known, due = state()
        called = known.plan.called(step, wildcards.get("element", element))
        before = {}
        for job in called:
            if job.key in due and workflow.is_main_process:
                workflow.dag.forcefiles.update(_below(path) for path in job.makes)
            before |= dict.fromkeys(
                key for key in known.plan.sources(job) if key in due
            )
        # what these wait for themselves need not be named
        further = {
            one for key in before for one in known.plan.sources(known.plan.jobs[key])
        }
        return _asked_by(key for key in before if key not in further)

    return found


def made_by(step):
    """What a rule makes; Snakemake leaves it where it is until the step replaces it."""
    return [update(_below(path)) for path in outputs(BY_STEP[step])]


def drawn_of(per):
    """Every figure of an element, or of the study: one process draws them all."""
    names = [figure.name for figure in FIGURES.values() if figure.per == per]
    return [
        update(_below(path))
        for name in names
        for path in outputs(BY_STEP["draw"], "{element}", name)
    ]


# Tables of points carried to the scans of each element that has any.
_plan = Plan(STUDY_CONFIG)
CARRIED = {
    element: [update(_below(path)) for job in jobs for path in job.makes]
    for element in ELEMENTS
    if (jobs := _plan.called("carry", element))
}


def _kept_in(folder, step, element, ending):
    place = step if BY_STEP[step].per == "study" else f"{element}/{step}"
    return _below(f"{folder}/{place}.{ending}")


def log_of(step, element="{element}"):
    """Where it is kept what a call said."""
    return _kept_in("logs", step, element, "log")


def times_of(step, element="{element}"):
    """Where it is kept how long a call took, and what memory."""
    return _kept_in("benchmarks", step, element, "tsv")


def check_or_stop():
    """Tell every problem of the input at once, and stop if one of them is an error."""
    if BEGUN in os.environ:  # `formkin run` has done all this
        return
    command = [sys.executable, "-P", "-m", "morpho.steps", "check", str(_study), "look"]
    environment = os.environ | {"PYTHONPATH": str(HOUSE)}
    if subprocess.run(command, env=environment).returncode:
        sys.exit("Nothing was run: see the problems of the input above.")
    # not above: it takes longer to import than a run with nothing to do
    from morpho.steps.provenance import mark_start
    from morpho.workflow.tidying import make_way

    try:
        mark_start(STUDY_CONFIG)
        for said in make_way(state()[0]):
            print(said, file=sys.stderr)
    except OSError as error:
        print(
            *cannot_be_written(STUDY_CONFIG.results, error), sep="\n", file=sys.stderr
        )
        sys.exit("Nothing was run.")


def tell_what_changed_meanwhile():
    """Say what does not hold although everything was done, as a file that was edited meanwhile."""
    if set(workflow.dag_settings.targets) - {"all"} or BEGUN in os.environ:
        return
    left = State(STUDY_CONFIG)
    if left.due:
        print("Run the study again, as this changed while it ran:", file=sys.stderr)
        for one in left.differences()[:12]:
            print(f"  {one.what} {one.words}", file=sys.stderr)
