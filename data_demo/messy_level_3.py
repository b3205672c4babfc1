"""The messy caseload with every table: its problems are those of levels 2 and 3."""

from __future__ import annotations

from messy_lines import Line, bad, good, odd

LEVEL_3: dict[str, list[Line]] = {
    "children": [
        good("child_id,entered_on"),
        good("C1,2026-01-05"),
        good("C2,2026-01-05"),
    ],
    "ladders": [
        good("ladder_id,step,activity,height_cm"),
        good("gangway,1,stand on the first plank,1.3"),
        good("gangway,2,walk to the middle,20"),
        odd("gangway,4,walk across,40", ("step", "steps_not_consecutive")),
        bad("gangway,5,,60", ("activity", "required_blank")),
        good("dinghy,1,sit in the boat ashore,"),
        good("dinghy,2,sit in the boat afloat,"),
        bad("dinghy,2,sit in the boat afloat,", ("", "row_repeated")),
    ],
    "plans": [
        good(
            "child_id,ladder_id,probe_step,primary,trained,fear_minimum,fear_maximum,"
            "window_opens,window_closes,assignment"
        ),
        good("C1,gangway,4,yes,yes,0,10,2026-02-02,2026-02-16,random"),
        odd("C1,gangway,2,yes,yes,0,10,,,", ("primary", "primary_twice")),
        good("C2,gangway,2,yes,yes,0,5,2026-02-02,2026-02-16,random"),
        bad("C2,dinghy,2,yes,no,10,0,,,", ("fear_maximum", "limits_upside_down")),
        bad("C2,dinghy,1,yes,no,0,10,2026-02-16,2026-02-02,", ("window_closes", "window_upside_down")),
        bad("C2,rope net,1,yes,no,0,10,,,", ("ladder_id", "unknown_code")),
        bad("C2,gangway,9,no,yes,0,5,,,", ("probe_step", "unknown_step")),
    ],
    "phases": [
        good("child_id,ladder_id,starts_on,phase"),
        good("C1,gangway,2026-02-09,exposure"),
        odd("C2,gangway,2026-03-02,exposure", ("starts_on", "start_outside_window")),
    ],
    "observations": [
        good(
            "child_id,ladder_id,date,trial,kind,step,outcome,fear_before,fear_peak,fear_end,"
            "rated_by,rater_id,recorded_on,note"
        ),
        good("C1,gangway,2026-01-12,1,probe,4,completed,7,8,5,child,,2026-01-12,"),
        good("C1,gangway,2026-01-19,1,probe,4,declined,9,,,child,,,"),
        good("C1,gangway,2026-01-26,1,probe,2,completed,6,7,4,child,,,"),
        bad("C1,gangway,2026-02-02,1,probe,1,completed,6,7,4,child,,,", ("step", "probe_elsewhere")),
        bad("C1,gangway,2026-02-02,2,probe,3,completed,6,7,4,child,,,", ("step", "unknown_step")),
        odd(
            "C1,gangway,2026-02-03,1,practice,1,completed,6,7,4,child,,,", ("date", "practice_in_baseline")
        ),
        good("C1,gangway,2026-02-10,1,practice,2,partial,6,7,4,therapist,T1,,"),
        odd("C1,gangway,2026-02-11,1,practice,2,completed,6,,4,child,,,", ("fear_peak", "peak_blank")),
        odd(
            "C1,gangway,2026-02-12,1,practice,2,declined,6,8,,child,,,", ("fear_peak", "peak_and_declined")
        ),
        odd("C1,gangway,2026-02-13,1,practice,2,completed,6,4,7,child,,,", ("fear_peak", "peak_too_low")),
        odd(
            "C1,gangway,2026-02-16,1,probe,4,completed,5,6,3,child,,2026-02-15,",
            ("recorded_on", "recorded_before"),
        ),
        bad("C1,gangway,2026-02-23,1,probe,4,completed,5,12,3,child,,,", ("fear_peak", "fear_off_scale")),
        good("C2,gangway,2026-01-12,1,probe,2,completed,4,5,3,child,,,"),
        bad("C2,gangway,2026-01-19,1,probe,2,completed,4,6,3,child,,,", ("fear_peak", "fear_off_scale")),
        odd(
            "C1,dinghy,2026-02-02,1,probe,2,completed,4,6,3,child,,,",
            ("ladder_id", "probe_unplanned"),
            ("ladder_id", "phase_unknown"),
        ),
        good("C1,dinghy,2026-02-09,1,probe,2,completed,4,6,3,child,,,"),
        bad("C2,gangway,2026-01-26,1,test,2,completed,4,5,3,child,,,", ("kind", "word_unknown")),
        bad("C2,gangway,2026-02-02,1,probe,2.5,completed,4,5,3,child,,,", ("step", "number_not_whole")),
        good("C1,gangway,2026-02-17,1,practice,1,completed,4,5,3,therapist,T1,,"),
        good("C1,gangway,2026-02-17,1,practice,2,completed,4,5,3,therapist,T1,,"),
    ],
    "ratings": [
        good("child_id,ladder_id,date,phase,rating"),
        good("C1,gangway,2026-01-12,baseline,8"),
        good("C1,gangway,2026-01-19,baseline,declined"),
        odd("C1,gangway,2026-03-02,exposure,4", ("rating", "recorded_unlike")),
        bad("C1,tandem,2026-03-02,exposure,4", ("ladder_id", "unknown_code")),
    ],
    "incidents": [
        good("child_id,date,kind,severity,ladder_id,step"),
        good("C1,2026-02-10,near miss,mild,gangway,2"),
        bad("C1,2026-02-10,trip,minor,gangway,2", ("kind", "word_unknown")),
        bad("C1,2026-02-11,fall,minor,gangway,8", ("step", "unknown_step")),
    ],
    "sessions": [
        good("child_id,date,setting,attended,exposure_minutes"),
        good("C1,2026-02-10,harbor,yes,25"),
        odd("C1,2026-02-17,harbor,no show,25", ("exposure_minutes", "minutes_without_session")),
        bad("C1,2026-02-24,harbor,yes,-5", ("exposure_minutes", "number_out_of_range")),
    ],
    "measures": [
        good(
            "measure_id,title,better,minimum,maximum,reliability,clinical_mean,functional_mean,clinical_sd"
        ),
        good("MQ,Movement questionnaire (invented),lower,0,60,0.86,38,15,9"),
        odd(
            "BQ,Balance questionnaire (invented),higher,0,40,,50,,",
            ("clinical_mean", "mean_off_instrument"),
        ),
        bad("XQ,Another one (invented),higher,40,0,,,,", ("maximum", "limits_upside_down")),
        bad("YQ,One more (invented),higher,0,40,8.6,,,", ("reliability", "number_out_of_range")),
        bad("RQ,Without error (invented),lower,0,60,1,,,", ("reliability", "reliability_impossible")),
        bad("WQ,Turned round (invented),lower,0,60,0.9,15,38,9", ("functional_mean", "means_reversed")),
        bad("SQ,Without spread (invented),lower,0,60,0.9,38,15,0", ("clinical_sd", "sd_not_positive")),
    ],
    "assessments": [
        good("child_id,measure_id,date,occasion,score"),
        good("C1,MQ,2026-01-05,intake,41"),
        bad("C1,MQ,2026-05-05,review,61", ("score", "score_off_instrument")),
        bad("C1,ZQ,2026-05-05,review,30", ("measure_id", "unknown_code")),
        odd("C1,mq,2026-06-05,discharge,30", ("measure_id", "code_respelled")),
    ],
    "goals": [
        good("child_id,goal_id,set_on,weight"),
        good("C1,G1,2026-01-05,1"),
    ],
    "goal_ratings": [
        good("child_id,goal_id,date,level"),
        good("C1,G1,2026-05-05,+1"),
        bad("C1,G1,2026-06-05,3", ("level", "number_out_of_range")),
        bad("C1,G2,2026-05-05,0", ("goal_id", "unknown_goal")),
        odd("C1,G1,2026-01-04,-2", ("date", "before_goal_set")),
    ],
    "agreement": [
        good("child_id,ladder_id,date,trial,kind,step,rater_id,outcome,fear_peak"),
        good("C1,gangway,2026-02-10,1,practice,2,R2,partial,6"),
        odd("C1,gangway,2026-01-12,1,probe,4,R2,completed,7", ("fear_peak", "self_report_seen")),
        bad("C1,gangway,2026-01-13,1,probe,4,R2,completed,", ("date", "agreement_without_trial")),
        bad("C1,gangway,2026-02-17,1,practice,,R2,completed,", ("trial", "agreement_unclear")),
        bad("C1,gangway,2026-02-17,1,practice,1,T1,completed,", ("rater_id", "same_rater")),
    ],
    "fidelity": [
        good("child_id,date,steps_planned,steps_done"),
        good("C1,2026-02-10,10,9"),
        bad("C1,2026-02-17,10,11", ("steps_done", "more_done_than_planned")),
    ],
    "actions": [
        good("raised_in,action,owner_role,due_on,done_on"),
        good("2026Q1,probe before each session,practice lead,2026-06-30,2026-06-01"),
        bad("Q1 2026,order mats,practice lead,2026-06-30,", ("raised_in", "text_form")),
        bad("2026Q1,order mats,Mrs. Sample,2026-06-30,", ("owner_role", "identity_value")),
    ],
}
