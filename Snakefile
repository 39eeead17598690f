# The study, from landmark tables to report.html.
#
#   snakemake --cores all                                    the demo study
#   snakemake --cores all --configfile my_study/study.yaml   your own
#
# The rules follow the questions of the report; each calls one step of morpho/steps. What each
# reads, makes and heeds stands in morpho/workflow/rules.py, and what is due is found there, by
# content. Helpers are in config/workflow.smk, the rules in config/rules.

from snakemake.utils import min_version

min_version("9.0")


include: "config/workflow.smk"


workdir: WORKDIR


wildcard_constraints:
    element="|".join([*ELEMENTS, ALL_ELEMENTS]),


# On a cluster these stay where Snakemake runs: they only join tables.
localrules:
    all,
    conclude,
    combine,


rule all:
    input:
        everything_due,


# Before the first job of any run, and nothing runs unless it passes.
onstart:
    check_or_stop()


onsuccess:
    tell_what_changed_meanwhile()


rule check:
    input:
        due_before("check"),
    output:
        made_by("check"),
    log:
        log_of("check"),
    benchmark:
        times_of("check")
    # what is suspected is told before anything is made of it
    priority: 100
    params:
        study=STUDY,
    shell:
        "step check {params.study:q} 2>&1 | tee {log:q}"


include: "config/rules/prepare.smk"
include: "config/rules/judge.smk"
include: "config/rules/show.smk"
