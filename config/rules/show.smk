# Where queries differ, surfaces, figures, the page.


rule differ:
    input:
        f"{R}/{{element}}/arrays/configurations.npz",
        f"{R}/{{element}}/arrays/superimposed.npz",
        f"{R}/{{element}}/notes/prepare.json",
        f"{R}/{{element}}/notes/superimpose.json",
        f"{R}/{{element}}/notes/place.json",
        tables("specimens", "verdicts", "estimated_points"),
    output:
        tables=tables(
            "displacements",
            "fits",
            "region_displacements",
            "measurements",
            "measurements_at_size",
            "measurement_summary",
            "measurement_ranking",
            "measurement_ranges",
        ),
        notes=f"{R}/{{element}}/notes/differ.json",
    log:
        f"{R}/logs/{{element}}/differ.log",
    benchmark:
        f"{R}/benchmarks/{{element}}/differ.tsv"
    conda:
        ENVIRONMENT
    params:
        study=STUDY,
        code=code("differ"),
        settings=settings("differences"),
        scheme=scheme,
    shell:
        "step differ {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule warp:
    input:
        f"{R}/{{element}}/arrays/prepared.npz",
        f"{R}/{{element}}/arrays/configurations.npz",
        f"{R}/{{element}}/arrays/superimposed.npz",
        tables("verdicts", "estimated_points", "displacements", "axis_shapes"),
        scans=scans_of,
    output:
        meshes=directory(f"{R}/{{element}}/meshes"),
        arrays=f"{R}/{{element}}/arrays/surfaces.npz",
        tables=tables("meshes"),
    log:
        f"{R}/logs/{{element}}/warp.log",
    benchmark:
        f"{R}/benchmarks/{{element}}/warp.tsv"
    conda:
        ENVIRONMENT
    params:
        study=STUDY,
        code=code("warp"),
        settings=settings("scans", "tests.alpha"),
        scheme=scheme,
    shell:
        "step warp {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule portray:
    input:
        f"{R}/{{element}}/arrays/surfaces.npz",
        f"{R}/{{element}}/notes/slide.json",
        f"{R}/{{element}}/notes/superimpose.json",
        tables(
            "verdicts",
            "displacements",
            "region_displacements",
            "measurements",
            "measurements_at_size",
            "measurement_ranking",
            "measurement_ranges",
        ),
    output:
        figures=directory(f"{R}/{{element}}/figures/queries"),
        tables=tables("portraits"),
    log:
        f"{R}/logs/{{element}}/portray.log",
    benchmark:
        f"{R}/benchmarks/{{element}}/portray.tsv"
    conda:
        ENVIRONMENT
    params:
        study=STUDY,
        code=code("portray"),
        settings=settings("figures", "tests.alpha"),
    shell:
        "step portray {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule draw:
    input:
        drawn_from,
    output:
        report(
            f"{R}/{{element}}/figures/{{figure}}.svg",
            caption=str(CAPTIONS / "figures.rst"),
            category="{element}",
            subcategory="figures",
            labels={"figure": "{figure}"},
        ),
        multiext(f"{R}/{{element}}/figures/{{figure}}", ".pdf", ".png"),
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


rule draw_joined:
    input:
        joined(),
    output:
        report(
            f"{R}/all-elements/figures/proportions.svg",
            caption=str(CAPTIONS / "proportions.rst"),
            category="all elements",
            subcategory="figures",
            labels={"figure": "proportions"},
        ),
        multiext(f"{R}/all-elements/figures/proportions", ".pdf", ".png"),
    log:
        f"{R}/logs/draw_proportions.log",
    benchmark:
        f"{R}/benchmarks/draw_proportions.tsv"
    conda:
        ENVIRONMENT
    params:
        study=STUDY,
        code=code("draw"),
    shell:
        "step draw {params.study:q} all-elements proportions 2>&1 | tee {log:q}"


rule supplement:
    input:
        tables=expand(
            f"{R}/{{element}}/tables/{{table}}.csv", element=ELEMENTS, table=TABLES
        ),
        joined=joined(),
        notes=expand(
            f"{R}/{{element}}/notes/{{step}}.json", element=ELEMENTS, step=NOTES
        ),
    output:
        expand(f"{R}/supplement/{{file}}", file=SUPPLEMENT),
    log:
        f"{R}/logs/supplement.log",
    benchmark:
        f"{R}/benchmarks/supplement.tsv"
    conda:
        ENVIRONMENT
    params:
        study=STUDY,
        code=code("supplement"),
        settings=settings(),
    shell:
        "step supplement {params.study:q} 2>&1 | tee {log:q}"


rule report:
    input:
        checked=f"{R}/check.csv",
        tables=expand(
            f"{R}/{{element}}/tables/{{table}}.csv", element=ELEMENTS, table=TABLES
        ),
        joined=joined(),
        notes=expand(
            f"{R}/{{element}}/notes/{{step}}.json", element=ELEMENTS, step=NOTES
        ),
        figures=expand(
            f"{R}/{{element}}/figures/{{figure}}.svg", element=ELEMENTS, figure=FIGURES
        ),
        portraits=expand(f"{R}/{{element}}/figures/queries", element=ELEMENTS),
        meshes=expand(f"{R}/{{element}}/meshes", element=ELEMENTS),
        supplement=f"{R}/supplement/tables.xlsx",
        proportions=f"{R}/all-elements/figures/proportions.svg",
    output:
        page=report(
            f"{R}/report.html",
            caption=str(CAPTIONS / "page.rst"),
            category="the study",
            labels={"page": "report"},
        ),
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


rule archive:
    input:
        study=STUDY,
        page=f"{R}/report.html",
        files=all_inputs(),
    output:
        f"{R}/archive.zip",
    log:
        f"{R}/logs/archive.log",
    benchmark:
        f"{R}/benchmarks/archive.tsv"
    conda:
        ENVIRONMENT
    params:
        code=code("archive"),
        settings=settings(),
    shell:
        "step archive {input.study:q} 2>&1 | tee {log:q}"


rule finish:
    input:
        f"{R}/report.html",
        f"{R}/archive.zip",
    output:
        f"{R}/provenance.json",
    log:
        f"{R}/logs/finish.log",
    benchmark:
        f"{R}/benchmarks/finish.tsv"
    conda:
        ENVIRONMENT
    params:
        study=STUDY,
        code=code("finish"),
        settings=settings(),
    shell:
        "step finish {params.study:q} 2>&1 | tee {log:q}"
