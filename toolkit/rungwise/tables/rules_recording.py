"""Rules about what was recorded, level by level, and about the settings of the practice."""

from __future__ import annotations

from rungwise.tables.rule import Rule, error, warning

LEVEL_1: tuple[Rule, ...] = (
    error(
        "unknown_child",
        "The table children lists no child {value}{hint}.",
        "Correct the code, or add the child to children.",
    ),
    error("time_missing", "The row has neither a date nor an occasion number.", "Fill in one of them."),
    error(
        "time_mixed",
        "This row has only an occasion number, but other rows of the same child have dates.",
        "Fill in the date.",
    ),
    error(
        "two_phases_on_day",
        "The same day is {phase} here and {other_phase} in row {other}.",
        "Correct the phase or the date.",
    ),
    error(
        "phase_start_twice",
        "Row {other} starts {other_phase} on the same day.",
        "Correct the phase or the day.",
    ),
    error(
        "phase_contradicted",
        "The phase is {phase} here, but by the table phases this day is {other_phase}.",
        "Correct the phase here, or the start in phases.",
    ),
    error(
        "rating_off_scale",
        "The rating lies outside the scale of {outcome}, {low} to {high}.",
        "Put the rating right; if the scale is another one, declare it in practice.toml under "
        "[scales.{outcome}].",
    ),
    error(
        "scale_undeclared",
        "{count} of {outcome}{whose} lie outside the scale 0 to 10, so another scale seems to be used, "
        "and none of these ratings can be read.",
        "Declare the scale in practice.toml, for example: [scales.{outcome}] {ends}, better = "
        '"lower"{instead}.',
    ),
    error(
        "better_mixed",
        "For {outcome}, {other} is better{where}.",
        "Use one direction for one outcome, or give the other rating a name of its own under outcome.",
    ),
    error(
        "end_before_entry",
        "The program ends before it begins ({entered}).",
        "Correct one of the two dates.",
    ),
    warning(
        "code_respelled",
        "This was taken as the code {proper}, which is written differently ({count}).",
        "Write the code the same way everywhere.",
    ),
    warning(
        "code_near",
        "This code stands in {count} only and looks like {proper} ({many}).",
        "Correct it, if {proper} was meant; if not, list both in the table {home}.",
    ),
    warning(
        "rating_blank",
        "There is neither a rating nor a decline; the occasion counts as missed.",
        "Write the rating, declined, or missed.",
    ),
    warning(
        "decline_contradicted",
        "The rating says declined, but the column {column} says no; the decline counts.",
        "Correct one of the two.",
    ),
    warning(
        "rating_and_declined",
        "A rating and a decline are both given; the decline counts.",
        "Clear one of the two.",
    ),
    warning(
        "phase_backwards",
        "{phase} comes after {other_phase} here, which is rare in graded exposure.",
        "Nothing to do, if the program really went back.",
    ),
    warning(
        "occasion_order",
        "The occasion number does not rise with the date.",
        "Correct one of the two; the date counts.",
    ),
    warning(
        "before_entry",
        "The date is before the child entered the program ({entered}).",
        "Correct one of the two dates.",
    ),
    warning(
        "after_end",
        "The date is after the child's program ended ({ended}).",
        "Correct one of the two dates.",
    ),
    warning(
        "raters_mixed",
        "Ratings of {child} by different kinds of rater ({raters}) are never pooled; the answer "
        "rests on those by {used}.",
        "Nothing to do, or ask for the other kind of rater by name.",
    ),
    warning(
        "rater_blank",
        "{count} of {child} {verb} not say who rated; {taken} as by {used}, like the others.",
        "Fill in rated_by.",
    ),
)

LEVEL_2: tuple[Rule, ...] = (
    error(
        "unknown_code",
        "The table {home} lists no {title} {value}{hint}.",
        "Correct the code, or add it to {home}.",
    ),
    error(
        "unknown_step",
        "The ladder {owner} has no such step; it has {there}.",
        "Correct the step, or add it to ladders.",
    ),
    error(
        "limits_upside_down",
        "The lower end must be below the upper end, {high}.",
        "Correct the two ends.",
    ),
    error(
        "window_upside_down",
        "The window closes before it opens ({opens}).",
        "Correct one of the two dates.",
    ),
    error(
        "fear_off_scale",
        "The rating lies outside this child's scale, {low} to {high}.",
        "Put the rating right, or the scale in {home}.",
    ),
    error(
        "probe_elsewhere",
        "A probe is planned at step {planned} of this child's ladder, not at this one.",
        "Correct the step; if it was no planned probe, call it practice.",
    ),
    warning(
        "steps_not_consecutive",
        "The steps of {owner} go from {before} to {step}.",
        "Number the steps 1, 2, 3 without gaps.",
    ),
    warning(
        "primary_twice",
        "Row {other} is already the primary probe step of this child's ladder; that one counts.",
        "Set primary to no in one of the two.",
    ),
    warning(
        "probe_unplanned",
        "Probes of {child} on {ladder} have no plan ({count}), so nothing says which step was "
        "meant to be probed.",
        "Add the child's ladder to plans.",
    ),
    warning(
        "phase_unknown",
        "No phase starts are given for {child} on {ladder} ({count}), so these probes stand in no phase.",
        "Add the start of exposure to phases.",
    ),
    warning(
        "practice_in_baseline",
        "The step was practiced before exposure starts by the table phases; that is no baseline.",
        "Correct the date or the kind, or the start in phases.",
    ),
    warning(
        "start_outside_window",
        "Exposure starts outside the window planned for it, {opens} to {closes}.",
        "Correct the date; if it is right, the design no longer holds.",
    ),
    warning(
        "peak_blank",
        "The step was tried, but the fear peak is blank.",
        "Fill it in, if it was asked.",
    ),
    warning(
        "peak_and_declined",
        "The step was declined, so there is no fear peak; it was not used.",
        "Clear it, or correct the outcome.",
    ),
    warning(
        "peak_too_low",
        "The peak is lower than the fear at the end ({end}).",
        "Correct one of the two.",
    ),
    warning(
        "recorded_before",
        "This was recorded before it happened ({day}).",
        "Correct one of the two dates.",
    ),
    warning(
        "recorded_unlike",
        "Planned ratings of {child} on {ladder} are not those of the probes in observations "
        "({count}, first here); the probes count.",
        "Correct one of the two, or keep one record only.",
    ),
)

LEVEL_3: tuple[Rule, ...] = (
    error(
        "unknown_goal",
        "{owner} has no such goal; there is: {there}.",
        "Correct the code, or add the goal to goals.",
    ),
    error(
        "score_off_instrument",
        "The score lies outside the instrument, {low} to {high}.",
        "Put the score right, or the ends in measures.",
    ),
    error(
        "agreement_without_trial",
        "No trial in observations matches this child, ladder, day, kind, step and number.",
        "Correct what does not match, or add the trial to observations.",
    ),
    error(
        "agreement_unclear",
        "Several trials in observations match; nothing says which one was seen.",
        "Fill in step and trial.",
    ),
    error(
        "same_rater",
        "The second observer is the one who rated the trial.",
        "Correct the code of one of the two.",
    ),
    error(
        "more_done_than_planned",
        "More steps were done than planned ({planned}).",
        "Correct one of the two.",
    ),
    warning(
        "self_report_seen",
        "The trial was rated by the {rater}; what a person feels has no second rater, so this "
        "rating was not used.",
        "Clear it; the outcome of the trial is used.",
    ),
    warning(
        "mean_off_instrument",
        "The mean lies outside the instrument, {low} to {high}.",
        "Correct it, or the ends.",
    ),
    error(
        "reliability_impossible",
        "A reliability lies between 0 and 1, and is neither.",
        "Write the published one, or leave it blank.",
    ),
    error(
        "sd_not_positive",
        "A standard deviation is above 0.",
        "Write the published one, or leave it blank.",
    ),
    error(
        "means_reversed",
        "{better} scores are better here, so the mean without the difficulty must be {side} the clinical "
        "mean, {clinical}.",
        "Correct one of the two, or the direction under better.",
    ),
    warning("before_goal_set", "The goal was set later ({day}).", "Correct one of the two dates."),
    warning(
        "minutes_without_session",
        "The contact did not take place, but has minutes of exposure.",
        "Correct one of the two.",
    ),
)

PRACTICE: tuple[Rule, ...] = (
    error(
        "practice_unreadable",
        "The settings cannot be read: {reason}.",
        "Correct that line; until then the defaults hold.",
    ),
    error("setting_unknown", "There is no setting {name}{hint}.", "Correct its name, or remove it."),
    error(
        "setting_value",
        "{name} must be {allowed}; the default, {default}, holds until then.",
        "Put the value right.",
    ),
)
