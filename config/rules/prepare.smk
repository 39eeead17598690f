# From landmark tables and scans to superimposed configurations.


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
