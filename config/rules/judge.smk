# From superimposed configurations to conclusions.


rule ordinate:
    input:
        due_before("ordinate"),
    output:
        made_by("ordinate"),
    log:
        log_of("ordinate"),
    benchmark:
        times_of("ordinate")
    params:
        study=STUDY,
    shell:
        "step ordinate {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule grow:
    input:
        due_before("grow"),
    output:
        made_by("grow"),
    log:
        log_of("grow"),
    benchmark:
        times_of("grow")
    params:
        study=STUDY,
    shell:
        "step grow {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule compare:
    input:
        due_before("compare"),
    output:
        made_by("compare"),
    log:
        log_of("compare"),
    benchmark:
        times_of("compare")
    params:
        study=STUDY,
    shell:
        "step compare {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule discriminate:
    input:
        due_before("discriminate"),
    output:
        made_by("discriminate"),
    log:
        log_of("discriminate"),
    benchmark:
        times_of("discriminate")
    params:
        study=STUDY,
    shell:
        "step discriminate {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule place:
    input:
        due_before("place"),
    output:
        made_by("place"),
    log:
        log_of("place"),
    benchmark:
        times_of("place")
    params:
        study=STUDY,
    shell:
        "step place {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule calibrate:
    input:
        due_before("calibrate"),
    output:
        made_by("calibrate"),
    log:
        log_of("calibrate"),
    benchmark:
        times_of("calibrate")
    params:
        study=STUDY,
    shell:
        "step calibrate {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule vary:
    input:
        due_before("vary"),
    output:
        made_by("vary"),
    log:
        log_of("vary"),
    benchmark:
        times_of("vary")
    params:
        study=STUDY,
    shell:
        "step vary {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule rarefy:
    input:
        due_before("rarefy"),
    output:
        made_by("rarefy"),
    log:
        log_of("rarefy"),
    benchmark:
        times_of("rarefy")
    params:
        study=STUDY,
    shell:
        "step rarefy {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule conclude:
    input:
        due_before("conclude"),
    output:
        made_by("conclude"),
    log:
        log_of("conclude"),
    benchmark:
        times_of("conclude")
    params:
        study=STUDY,
    shell:
        "step conclude {params.study:q} {wildcards.element} 2>&1 | tee {log:q}"


rule combine:
    input:
        due_before("combine"),
    output:
        made_by("combine"),
    log:
        log_of("combine"),
    benchmark:
        times_of("combine")
    params:
        study=STUDY,
    shell:
        "step combine {params.study:q} 2>&1 | tee {log:q}"
