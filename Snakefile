# The study, from landmark tables to report.html.
#
#   snakemake --cores all                                    the demo study
#   snakemake --cores all --configfile my_study/study.yaml   your own
#
# The rules follow the questions of the report; each calls one step of
# morpho/steps. Helpers are in config/workflow.smk, the rules in config/rules.

from snakemake.utils import min_version

min_version("9.0")


include: "config/workflow.smk"


report: "config/captions/workflow.rst"


workdir: WORKDIR


wildcard_constraints:
    element="|".join(ELEMENTS),
    figure="|".join(FIGURES),


# On a cluster these stay where Snakemake runs: they only join tables.
localrules:
    all,
    conclude,
    combine,


rule all:
    input:
        f"{R}/report.html",
        f"{R}/provenance.json",


# Before the first job of any run, and nothing runs unless it passes. It is no input of
# the other rules, or a new atlas would make the lower jaw run again.
onstart:
    check_or_stop()


rule check:
    input:
        study=STUDY,
        files=all_inputs(),
    output:
        table=f"{R}/check.csv",
    log:
        f"{R}/logs/check.log",
    benchmark:
        f"{R}/benchmarks/check.tsv"
    conda:
        ENVIRONMENT
    params:
        code=code("check"),
        settings=settings(),
    shell:
        "step check {input.study:q} 2>&1 | tee {log:q}"


include: "config/rules/prepare.smk"
include: "config/rules/judge.smk"
include: "config/rules/show.smk"
