# From superimposed configurations to conclusions.


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
        f"{R}/{{element}}/notes/measure.json",
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
        tables=tables("membership", "spread", "verdicts", "trajectories"),
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


rule calibrate:
    input:
        f"{R}/{{element}}/arrays/configurations.npz",
        f"{R}/{{element}}/notes/superimpose.json",
        f"{R}/{{element}}/notes/grow.json",
    output:
        tables=tables("calibration", "calibration_summary"),
    log:
        f"{R}/logs/{{element}}/calibrate.log",
    benchmark:
        f"{R}/benchmarks/{{element}}/calibrate.tsv"
    conda:
        ENVIRONMENT
    params:
        study=STUDY,
        code=code("calibrate"),
        settings=settings("seed", "shape_space", "tests.alpha", "tests.smallest_taxon"),
    shell:
        "step calibrate {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule vary:
    input:
        f"{R}/{{element}}/arrays/configurations.npz",
        f"{R}/{{element}}/notes/superimpose.json",
        f"{R}/{{element}}/notes/grow.json",
        f"{R}/{{element}}/arrays/prepared.npz",
        tables("landmark_error", "suspicions", "estimated_points"),
    output:
        tables=tables("stability", "stability_summary"),
    log:
        f"{R}/logs/{{element}}/vary.log",
    benchmark:
        f"{R}/benchmarks/{{element}}/vary.tsv"
    conda:
        ENVIRONMENT
    params:
        study=STUDY,
        code=code("vary"),
        settings=settings(
            "seed",
            "shape_space",
            "tests.alpha",
            "tests.smallest_taxon",
            "robustness.error_draws",
            "preparation.missing.method",
        ),
    shell:
        "step vary {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule rarefy:
    input:
        f"{R}/{{element}}/arrays/superimposed.npz",
        f"{R}/{{element}}/arrays/shape_space.npz",
        f"{R}/{{element}}/notes/grow.json",
    output:
        tables=tables("rarefaction", "adequacy", "specimens_to_decide"),
    log:
        f"{R}/logs/{{element}}/rarefy.log",
    benchmark:
        f"{R}/benchmarks/{{element}}/rarefy.tsv"
    conda:
        ENVIRONMENT
    params:
        study=STUDY,
        code=code("rarefy"),
        settings=settings(
            "seed",
            "shape_space",
            "tests.alpha",
            "tests.smallest_taxon",
            "robustness.rarefactions",
            "robustness.simulations",
        ),
    shell:
        "step rarefy {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule conclude:
    input:
        tables(
            "suspicions",
            "specimens",
            "verdicts",
            "trajectories",
            "calibration_summary",
            "stability",
            "stability_summary",
            "specimens_to_decide",
        ),
    output:
        tables=tables("conclusions"),
    log:
        f"{R}/logs/{{element}}/conclude.log",
    benchmark:
        f"{R}/benchmarks/{{element}}/conclude.tsv"
    conda:
        ENVIRONMENT
    params:
        study=STUDY,
        code=code("conclude"),
        settings=settings("tests.alpha", "robustness.smallest_share"),
    shell:
        "step conclude {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule combine:
    input:
        expand(
            f"{R}/{{element}}/tables/{{table}}.csv",
            element=ELEMENTS,
            table=["membership", "conclusions", "centroid_size"],
        ),
    output:
        tables=joined(),
    log:
        f"{R}/logs/combine.log",
    benchmark:
        f"{R}/benchmarks/combine.tsv"
    conda:
        ENVIRONMENT
    params:
        study=STUDY,
        code=code("combine"),
        settings=settings("tests.alpha"),
    shell:
        "step combine {params.study:q} 2>&1 | tee {log:q}"
