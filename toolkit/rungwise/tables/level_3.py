"""Rules between rows and tables that record sessions, scores, goals, second observers and fidelity."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from rungwise.tables.draft import Draft

OBSERVERS = ("therapist", "teacher", "observer", "other")
_TRIAL = ("child_id", "ladder_id", "date", "kind", "trial")


def check_rows(drafts: Mapping[str, Draft]) -> None:
    """Check what stands in one table."""
    if "measures" in drafts:
        _instruments(drafts["measures"])
    if "fidelity" in drafts:
        _done_of_planned(drafts["fidelity"])
    if "sessions" in drafts:
        _minutes(drafts["sessions"])


def check_tables(drafts: Mapping[str, Draft]) -> None:
    """Check scores against instruments, goals against their start, second observers against trials."""
    if "assessments" in drafts and "measures" in drafts:
        _scores(drafts["assessments"], drafts["measures"])
    if "goal_ratings" in drafts and "goals" in drafts:
        _after_set(drafts["goal_ratings"], drafts["goals"])
    if "agreement" in drafts and "observations" in drafts:
        _seen_trials(drafts["agreement"], drafts["observations"])


def _instruments(measures: Draft) -> None:
    low, high = measures.values["minimum"], measures.values["maximum"]
    for index in np.flatnonzero(measures.sound & (low >= high)).tolist():
        measures.tell("limits_upside_down", index, "maximum", high=f"{high[index]:g}")
    reliability = measures.values["reliability"]
    for index in np.flatnonzero(measures.sound & ((reliability <= 0) | (reliability >= 1))).tolist():
        measures.tell("reliability_impossible", index, "reliability")
    for name in ("clinical_sd", "functional_sd"):
        for index in np.flatnonzero(measures.sound & (measures.values[name] <= 0)).tolist():
            measures.tell("sd_not_positive", index, name)
    _means_apart(measures)
    for name in ("clinical_mean", "functional_mean"):
        mean = measures.values[name]
        for index in np.flatnonzero(measures.sound & ((mean < low) | (mean > high))).tolist():
            ends = {"low": f"{low[index]:g}", "high": f"{high[index]:g}"}
            measures.tell("mean_off_instrument", index, name, **ends)


def _means_apart(measures: Draft) -> None:
    """Children without the difficulty score better on average than those with it."""
    clinical, functional = measures.values["clinical_mean"], measures.values["functional_mean"]
    lower = measures.values["better"] == "lower"
    wrong = np.where(lower, functional >= clinical, functional <= clinical)
    for index in np.flatnonzero(measures.sound & wrong).tolist():
        side, better = ("below", "Lower") if lower[index] else ("above", "Higher")
        facts = {"side": side, "better": better, "clinical": f"{clinical[index]:g}"}
        measures.tell("means_reversed", index, "functional_mean", **facts)


def _done_of_planned(fidelity: Draft) -> None:
    planned, done = fidelity.values["steps_planned"], fidelity.values["steps_done"]
    for index in np.flatnonzero(fidelity.sound & (done > planned)).tolist():
        fidelity.tell("more_done_than_planned", index, "steps_done", planned=f"{planned[index]:g}")


def _minutes(sessions: Draft) -> None:
    spent = sessions.values["exposure_minutes"] > 0
    for index in np.flatnonzero(sessions.sound & spent & (sessions.values["attended"] != "yes")).tolist():
        sessions.tell("minutes_without_session", index, "exposure_minutes")


def _scores(assessments: Draft, measures: Draft) -> None:
    columns = ("measure_id", "minimum", "maximum")
    sound = measures.sound
    ends = {
        code: (low, high)
        for code, low, high in zip(
            *(measures.values[name][sound].tolist() for name in columns), strict=True
        )
    }
    codes, scores = assessments.values["measure_id"], assessments.values["score"]
    for index in np.flatnonzero(assessments.sound).tolist():
        low, high = ends.get(codes[index], (-np.inf, np.inf))
        if not low <= scores[index] <= high:
            assessments.tell("score_off_instrument", index, "score", low=f"{low:g}", high=f"{high:g}")


def _after_set(goal_ratings: Draft, goals: Draft) -> None:
    columns = ("child_id", "goal_id")
    set_on = dict(
        zip(
            zip(*(goals.values[name].tolist() for name in columns), strict=True),
            goals.values["set_on"],
            strict=True,
        )
    )
    for index in np.flatnonzero(goal_ratings.sound).tolist():
        day = set_on.get(tuple(goal_ratings.values[name][index] for name in columns))
        if day is not None and goal_ratings.values["date"][index] < day:
            goal_ratings.tell("before_goal_set", index, "date", day=str(day))


def _seen_trials(agreement: Draft, observations: Draft) -> None:
    """A second observer saw one trial of the observations, and is not the one who rated it."""
    wanted = set(_keys(agreement))
    trials: dict[tuple[object, ...], list[int]] = {}
    for index, key in enumerate(_keys(observations)):
        if key in wanted:
            trials.setdefault(key, []).append(index)
    step = agreement.values["step"]
    for index, key in enumerate(_keys(agreement)):
        if not agreement.sound[index]:
            continue
        there = trials.get(key, [])
        if not np.isnan(step[index]):
            there = [trial for trial in there if observations.values["step"][trial] == step[index]]
        if not there:
            agreement.tell("agreement_without_trial", index, "date")
        elif len({observations.values["step"][trial] for trial in there}) > 1:
            agreement.tell("agreement_unclear", index, "trial" if agreement.has("trial") else "date")
        else:
            _second_view(agreement, index, observations, there)


def _second_view(agreement: Draft, index: int, observations: Draft, trials: list[int]) -> None:
    first_raters = [observations.values["rater_id"][trial] for trial in trials]
    if agreement.values["rater_id"][index] in first_raters:
        agreement.tell("same_rater", index, "rater_id")
        return
    kinds = [observations.values["rated_by"][trial] for trial in trials]
    if np.isnan(agreement.values["fear_peak"][index]) or any(kind in OBSERVERS for kind in kinds):
        return
    stated = [kind for kind in kinds if kind is not None]
    if stated:
        agreement.tell("self_report_seen", index, "fear_peak", rater=stated[0])
        agreement.values["fear_peak"][index] = np.nan


def _keys(draft: Draft) -> list[tuple[object, ...]]:
    columns = [draft.values[name] for name in _TRIAL]
    return list(zip(*(column.tolist() for column in columns), strict=True))
