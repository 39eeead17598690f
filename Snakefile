# The study, from landmark tables to report.html.
#
#   snakemake --cores all                                    the demo study
#   snakemake --cores all --configfile my_study/study.yaml   your own
#
# The rules follow the questions of the report; each calls one step of
# morpho/steps. Helpers are in config/workflow.smk.

from snakemake.utils import min_version

min_version("9.0")


include: "config/workflow.smk"


workdir: WORKDIR


wildcard_constraints:
    element="|".join(ELEMENTS),
    figure="|".join(FIGURES),


localrules:
    all,


rule all:
    input:
        f"{R}/report.html",


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


rule prepare:
    input:
        landmark_files,
    output:
        arrays=f"{R}/{{element}}/arrays/prepared.npz",
        tables=tables("specimens", "landmarks", "distortion"),
        notes=f"{R}/{{element}}/notes/prepare.json",
    log:
        f"{R}/logs/{{element}}/prepare.log",
    benchmark:
        f"{R}/benchmarks/{{element}}/prepare.tsv"
    conda:
        ENVIRONMENT
    params:
        study=STUDY,
        code=code("prepare"),
        settings=settings("preparation", "landmarks", "specimens"),
        shared=shared_inputs,
    shell:
        "step prepare {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule screen:
    input:
        landmark_files,
    output:
        tables=tables("suspicions"),
        notes=f"{R}/{{element}}/notes/screen.json",
    log:
        f"{R}/logs/{{element}}/screen.log",
    benchmark:
        f"{R}/benchmarks/{{element}}/screen.tsv"
    conda:
        ENVIRONMENT
    params:
        study=STUDY,
        code=code("screen"),
        settings=settings("landmarks", "specimens"),
        shared=shared_inputs,
    shell:
        "step screen {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule measure:
    input:
        landmark_files,
        tables("specimens", "landmarks"),
    output:
        tables=tables("digitising_error", "landmark_error", "asymmetry"),
        notes=f"{R}/{{element}}/notes/measure.json",
    log:
        f"{R}/logs/{{element}}/measure.log",
    benchmark:
        f"{R}/benchmarks/{{element}}/measure.tsv"
    conda:
        ENVIRONMENT
    params:
        study=STUDY,
        code=code("measure"),
        settings=settings("seed", "tests.permutations", "landmarks", "specimens"),
        shared=shared_inputs,
    shell:
        "step measure {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


# One job a specimen: a new scan costs one.
rule carry:
    input:
        carried_from,
    output:
        f"{R}/{{element}}/tables/carried/{{name}}.csv",
    log:
        f"{R}/logs/{{element}}/carry/{{name}}.log",
    benchmark:
        f"{R}/benchmarks/{{element}}/carry/{{name}}.tsv"
    conda:
        ENVIRONMENT
    params:
        study=STUDY,
        code=code("carry"),
        settings=settings("landmarks", "scans", "specimens"),
        shared=carried_by,
    shell:
        "step carry {params.study:q} {wildcards.element} {wildcards.name:q} 2>&1 | tee {log:q}"


rule slide:
    input:
        f"{R}/{{element}}/arrays/prepared.npz",
        carried=carried_tables,
    output:
        arrays=f"{R}/{{element}}/arrays/configurations.npz",
        tables=tables("estimated_points", "recovery", "sliding", "carried_points"),
        notes=f"{R}/{{element}}/notes/slide.json",
    log:
        f"{R}/logs/{{element}}/slide.log",
    benchmark:
        f"{R}/benchmarks/{{element}}/slide.tsv"
    conda:
        ENVIRONMENT
    params:
        study=STUDY,
        code=code("slide"),
        settings=settings("seed", "preparation"),
        scheme=scheme,
    shell:
        "step slide {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule superimpose:
    input:
        f"{R}/{{element}}/arrays/prepared.npz",
        f"{R}/{{element}}/arrays/configurations.npz",
    output:
        arrays=f"{R}/{{element}}/arrays/superimposed.npz",
        tables=tables(
            "configurations", "mean_shape", "centroid_size", "distortion_shapes"
        ),
        notes=f"{R}/{{element}}/notes/superimpose.json",
    log:
        f"{R}/logs/{{element}}/superimpose.log",
    benchmark:
        f"{R}/benchmarks/{{element}}/superimpose.tsv"
    conda:
        ENVIRONMENT
    params:
        study=STUDY,
        code=code("superimpose"),
        settings=settings("preparation"),
        scheme=scheme,
    shell:
        "step superimpose {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule ordinate:
    input:
        f"{R}/{{element}}/arrays/superimposed.npz",
    output:
        arrays=f"{R}/{{element}}/arrays/shape_space.npz",
        tables=tables("shape_scores", "variance_per_axis", "axis_shapes"),
        notes=f"{R}/{{element}}/notes/ordinate.json",
    log:
        f"{R}/logs/{{element}}/ordinate.log",
    benchmark:
        f"{R}/benchmarks/{{element}}/ordinate.tsv"
    conda:
        ENVIRONMENT
    params:
        study=STUDY,
        code=code("ordinate"),
        settings=settings("seed", "shape_space"),
    shell:
        "step ordinate {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule grow:
    input:
        f"{R}/{{element}}/arrays/superimposed.npz",
        f"{R}/{{element}}/arrays/shape_space.npz",
    output:
        tables=tables("model_terms", "slopes", "growth"),
        notes=f"{R}/{{element}}/notes/grow.json",
    log:
        f"{R}/logs/{{element}}/grow.log",
    benchmark:
        f"{R}/benchmarks/{{element}}/grow.tsv"
    conda:
        ENVIRONMENT
    params:
        study=STUDY,
        code=code("grow"),
        settings=settings("seed", "model", "tests.permutations", "tests.smallest_taxon"),
    shell:
        "step grow {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule compare:
    input:
        f"{R}/{{element}}/arrays/superimposed.npz",
        f"{R}/{{element}}/arrays/shape_space.npz",
    output:
        tables=tables("group_criteria", "pairwise_distances"),
        notes=f"{R}/{{element}}/notes/compare.json",
    log:
        f"{R}/logs/{{element}}/compare.log",
    benchmark:
        f"{R}/benchmarks/{{element}}/compare.tsv"
    conda:
        ENVIRONMENT
    params:
        study=STUDY,
        code=code("compare"),
        settings=settings("seed", "tests.permutations", "tests.smallest_taxon"),
    shell:
        "step compare {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule discriminate:
    input:
        f"{R}/{{element}}/arrays/superimposed.npz",
        f"{R}/{{element}}/arrays/shape_space.npz",
    output:
        tables=tables("canonical_scores", "canonical_axes", "confusion", "accuracy"),
        notes=f"{R}/{{element}}/notes/discriminate.json",
    log:
        f"{R}/logs/{{element}}/discriminate.log",
    benchmark:
        f"{R}/benchmarks/{{element}}/discriminate.tsv"
    conda:
        ENVIRONMENT
    params:
        study=STUDY,
        code=code("discriminate"),
        settings=settings(
            "seed",
            "shape_space",
            "tests.covariance",
            "tests.folds",
            "tests.smallest_taxon",
        ),
    shell:
        "step discriminate {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule place:
    input:
        f"{R}/{{element}}/arrays/superimposed.npz",
        f"{R}/{{element}}/arrays/shape_space.npz",
        tables("specimens"),
        f"{R}/{{element}}/notes/grow.json",
        f"{R}/{{element}}/notes/measure.json",
    output:
        tables=tables("membership", "spread", "verdicts"),
        notes=f"{R}/{{element}}/notes/place.json",
    log:
        f"{R}/logs/{{element}}/place.log",
    benchmark:
        f"{R}/benchmarks/{{element}}/place.tsv"
    conda:
        ENVIRONMENT
    params:
        study=STUDY,
        code=code("place"),
        settings=settings("seed", "shape_space", "tests.alpha", "tests.smallest_taxon"),
    shell:
        "step place {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule draw:
    input:
        drawn_from,
    output:
        multiext(f"{R}/{{element}}/figures/{{figure}}", ".svg", ".pdf", ".png"),
    log:
        f"{R}/logs/{{element}}/draw_{{figure}}.log",
    benchmark:
        f"{R}/benchmarks/{{element}}/draw_{{figure}}.tsv"
    conda:
        ENVIRONMENT
    params:
        study=STUDY,
        code=code("draw"),
        settings=settings("figures", "tests.alpha"),
    shell:
        "step draw {params.study:q} {wildcards.element} {wildcards.figure} 2>&1 | tee {log:q}"


rule report:
    input:
        checked=f"{R}/check.csv",
        tables=expand(
            f"{R}/{{element}}/tables/{{table}}.csv", element=ELEMENTS, table=TABLES
        ),
        notes=expand(
            f"{R}/{{element}}/notes/{{step}}.json", element=ELEMENTS, step=NOTES
        ),
        figures=expand(
            f"{R}/{{element}}/figures/{{figure}}.svg", element=ELEMENTS, figure=FIGURES
        ),
    output:
        page=f"{R}/report.html",
    log:
        f"{R}/logs/report.log",
    benchmark:
        f"{R}/benchmarks/report.tsv"
    conda:
        ENVIRONMENT
    params:
        study=STUDY,
        code=code("report"),
        settings=settings(),
    shell:
        "step report {params.study:q} 2>&1 | tee {log:q}"
