# Where queries differ, surfaces, figures, the page.


rule differ:
    input:
        due_before("differ"),
    output:
        made_by("differ"),
    log:
        log_of("differ"),
    benchmark:
        times_of("differ")
    params:
        study=STUDY,
    shell:
        "step differ {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule warp:
    input:
        due_before("warp"),
    output:
        made_by("warp"),
    log:
        log_of("warp"),
    benchmark:
        times_of("warp")
    params:
        study=STUDY,
    shell:
        "step warp {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule portray:
    input:
        due_before("portray"),
    output:
        made_by("portray"),
    log:
        log_of("portray"),
    benchmark:
        times_of("portray")
    params:
        study=STUDY,
    shell:
        "step portray {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule draw:
    input:
        due_before("draw"),
    output:
        drawn_of("element"),
    log:
        log_of("draw"),
    benchmark:
        times_of("draw")
    params:
        study=STUDY,
    shell:
        "step draw {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule draw_joined:
    input:
        due_before("draw"),
    output:
        drawn_of("study"),
    log:
        log_of("draw"),
    benchmark:
        times_of("draw")
    params:
        study=STUDY,
    shell:
        "step draw {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule supplement:
    input:
        due_before("supplement"),
    output:
        made_by("supplement"),
    log:
        log_of("supplement"),
    benchmark:
        times_of("supplement")
    params:
        study=STUDY,
    shell:
        "step supplement {params.study:q} 2>&1 | tee {log:q}"


rule report:
    input:
        due_before("report"),
    output:
        made_by("report"),
    log:
        log_of("report"),
    benchmark:
        times_of("report")
    params:
        study=STUDY,
    shell:
        "step report {params.study:q} 2>&1 | tee {log:q}"


rule archive:
    input:
        due_before("archive"),
    output:
        made_by("archive"),
    log:
        log_of("archive"),
    benchmark:
        times_of("archive")
    params:
        study=STUDY,
    shell:
        "step archive {params.study:q} 2>&1 | tee {log:q}"


rule finish:
    input:
        due_before("finish"),
    output:
        made_by("finish"),
    log:
        log_of("finish"),
    benchmark:
        times_of("finish")
    params:
        study=STUDY,
    shell:
        "step finish {params.study:q} 2>&1 | tee {log:q}"
