# From landmark tables and scans to superimposed configurations.


rule screen:
    input:
        due_before("screen"),
    output:
        made_by("screen"),
    log:
        log_of("screen"),
    benchmark:
        times_of("screen")
    params:
        study=STUDY,
    shell:
        "step screen {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule prepare:
    input:
        due_before("prepare"),
    output:
        made_by("prepare"),
    log:
        log_of("prepare"),
    benchmark:
        times_of("prepare")
    params:
        study=STUDY,
    shell:
        "step prepare {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule measure:
    input:
        due_before("measure"),
    output:
        made_by("measure"),
    log:
        log_of("measure"),
    benchmark:
        times_of("measure")
    params:
        study=STUDY,
    shell:
        "step measure {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


# To all scans of an element in one call, on all cores: starting takes longer than carrying. A new
# scan costs one, as the call passes over those that hold.
for _element, _tables in CARRIED.items():

    rule:
        name:
            f"carry_{_element}"
        input:
            due_before("carry", _element),
        output:
            _tables,
        log:
            log_of("carry", _element),
        benchmark:
            times_of("carry", _element)
        threads: workflow.cores or 1
        # on a cluster: its rules have the elements' names, which no profile knows
        resources:
            mem_mb=4000,
            runtime=120,
        params:
            study=STUDY,
            element=_element,
        shell:
            "FORMKIN_CORES={threads} step carry {params.study:q} {params.element} 2>&1 | tee {log:q}"


rule slide:
    input:
        due_before("slide"),
    output:
        made_by("slide"),
    log:
        log_of("slide"),
    benchmark:
        times_of("slide")
    params:
        study=STUDY,
    shell:
        "step slide {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule superimpose:
    input:
        due_before("superimpose"),
    output:
        made_by("superimpose"),
    log:
        log_of("superimpose"),
    benchmark:
        times_of("superimpose")
    params:
        study=STUDY,
    shell:
        "step superimpose {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"
