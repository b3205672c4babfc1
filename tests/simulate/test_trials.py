"""Visits agree with the planned ratings, and practice follows the practice's own rule."""

from collections import defaultdict
from datetime import date

import numpy as np
import pytest
from rungwise.simulate.local_ladders import LADDERS
from rungwise.simulate.practice import simulate_practice
from rungwise.simulate.trials import STEP_UP_AT, PracticeRule, visit_rows

STEPS = {ladder.ladder_id: len(ladder.steps) for ladder in LADDERS}


@pytest.fixture(scope="module")
def trials(practice):
    """Trials of every child, ladder and kind, in the order in which they happened."""
    grouped = defaultdict(list)
    for row in practice.tables["observations"]:
        grouped[row["child_id"], row["ladder_id"], row["kind"]].append(row)
    for rows in grouped.values():
        rows.sort(key=lambda row: (row["date"], row["trial"]))
    return grouped


def trained(practice) -> set[tuple[str, str]]:
    return {(row["child_id"], row["ladder_id"]) for row in practice.tables["plans"] if row["trained"]}


def test_every_probe_is_the_planned_rating_of_that_day(practice):
    probes = {
        (row["child_id"], row["ladder_id"], row["date"]): (row["fear_peak"], row["outcome"] == "declined")
        for row in practice.tables["observations"]
        if row["kind"] == "probe" and (row["child_id"], row["ladder_id"]) in trained(practice)
    }
    ratings = {
        (row["child_id"], row["ladder_id"], row["date"]): (row["rating"], row["declined"])
        for row in practice.tables["ratings"]
    }
    assert probes == ratings


def test_probes_are_at_the_planned_step_and_come_before_everything_else(practice):
    steps = {ladder.ladder_id: ladder.probe_step for ladder in LADDERS}
    probes = [row for row in practice.tables["observations"] if row["kind"] == "probe"]
    assert all(row["step"] == steps[row["ladder_id"]] and row["trial"] == 1 for row in probes)


def test_practice_is_only_in_exposure(practice):
    phase = {
        (row["child_id"], row["ladder_id"], row["date"]): row["phase"] for row in practice.tables["ratings"]
    }
    practiced = {
        phase[row["child_id"], row["ladder_id"], row["date"]]
        for row in practice.tables["observations"]
        if row["kind"] == "practice"
    }
    assert practiced == {"exposure"}


def test_approach_offers_steps_upward_until_one_is_declined(trials):
    ended = []
    for (_, ladder_id, kind), rows in trials.items():
        if kind != "approach":
            continue
        for day in {row["date"] for row in rows}:
            offered = [row for row in rows if row["date"] == day]
            assert [row["step"] for row in offered] == list(range(1, len(offered) + 1))
            assert not any(row["outcome"] == "declined" for row in offered[:-1])
            ended.append(offered[-1]["outcome"] == "declined")
            assert ended[-1] or len(offered) == STEPS[ladder_id]
    assert 0.1 < np.mean(ended) < 0.9


def test_practice_moves_up_after_two_easy_trials_and_back_after_a_decline(trials):
    moves = {"up": 0, "back": 0, "stay": 0}
    for (_, ladder_id, kind), rows in trials.items():
        if kind != "practice":
            continue
        step, easy = rows[0]["step"], 0
        for row in rows:
            assert row["step"] == step
            if row["outcome"] == "declined":
                moves["back"] += 1
                step, easy = max(1, step - 1), 0
                continue
            easy = easy + 1 if row["fear_peak"] <= STEP_UP_AT else 0
            if easy >= 2 and step < STEPS[ladder_id]:
                moves["up"] += 1
                step, easy = step + 1, 0
            else:
                moves["stay"] += 1
    assert moves["up"] > 200
    assert moves["back"] > 0
    assert moves["stay"] > 500


def test_fear_is_higher_on_harder_steps(practice):
    steps = defaultdict(list)
    for row in practice.tables["observations"]:
        if row["kind"] == "approach" and row["ladder_id"] == "gangway" and row["fear_peak"] is not None:
            steps[row["step"]].append(row["fear_peak"])
    means = [np.mean(steps[step]) for step in sorted(steps)]
    # Above step 5 the most fearful have declined, so means level off.
    assert np.all(np.diff(means[:5]) > 0)


def test_a_declined_trial_has_no_peak_and_the_others_do(practice):
    for row in practice.tables["observations"]:
        assert (row["fear_peak"] is None) == (row["outcome"] == "declined")
        for name in ("fear_before", "fear_peak", "fear_end"):
            assert row[name] is None or 0 <= row[name] <= 10


def test_nothing_is_written_down_before_it_happened_or_after_the_end(practice):
    days = [(row["date"], row["recorded_on"]) for row in practice.tables["observations"]]
    assert all(day <= written for day, written in days)
    assert max(written for _, written in days) <= practice.recorded_until
    late = np.mean([(written - day).days >= 14 for day, written in days])
    assert 0 < late < 0.08


def test_an_untrained_ladder_is_probed_now_and_then_and_never_practiced(practice):
    untrained = {
        (row["child_id"], row["ladder_id"]) for row in practice.tables["plans"] if not row["trained"]
    }
    assert len(untrained) >= 8
    assert not untrained & trained(practice)
    rows = [
        row for row in practice.tables["observations"] if (row["child_id"], row["ladder_id"]) in untrained
    ]
    assert {row["kind"] for row in rows} == {"probe"}
    seen = defaultdict(int)
    for row in rows:
        seen[row["child_id"], row["ladder_id"]] += 1
    assert min(seen.values()) >= 2
    assert not untrained & {(row["child_id"], row["ladder_id"]) for row in practice.tables["ratings"]}


def test_incidents_happen_on_a_step_practiced_that_day(practice):
    practiced = {
        (row["child_id"], row["ladder_id"], row["date"], row["step"])
        for row in practice.tables["observations"]
        if row["kind"] == "practice"
    }
    assert practice.tables["incidents"]
    for row in practice.tables["incidents"]:
        assert (row["child_id"], row["ladder_id"], row["date"], row["step"]) in practiced


def test_a_child_leaves_a_hundred_observations_and_the_thousandth_has_a_code():
    hundred = simulate_practice(np.random.default_rng(12), 100, level=2).tables
    assert len(hundred["observations"]) > 10_000
    thousand = simulate_practice(np.random.default_rng(12), 1000, level=1).tables
    assert thousand["children"][-1]["child_id"] == "C1000"


def rows_by(rule):
    kid = next(kid for kid in simulate_practice(np.random.default_rng(4), 60).children if kid.programs)
    visits = visit_rows(kid, np.random.default_rng(8), date(2027, 1, 1), rule)
    practiced = defaultdict(list)
    for row in visits.observations:
        if row["kind"] == "practice":
            practiced[row["date"]].append(row)
    return kid, practiced


@pytest.mark.parametrize("in_a_row", [1, 3])
def test_the_stepping_rule_may_be_another(in_a_row):
    _, practiced = rows_by(PracticeRule(in_a_row=in_a_row))
    easy, step, ups = 0, None, 0
    for rows in practiced.values():
        for row in rows:
            if step is not None and row["step"] > step:
                assert easy >= in_a_row
                easy, ups = 0, ups + 1
            step = row["step"]
            easy = easy + 1 if row["outcome"] != "declined" and row["fear_peak"] <= STEP_UP_AT else 0
    assert ups > 2


def test_an_eased_child_is_led_down_whatever_the_ratings():
    kid, practiced = rows_by(PracticeRule(eased=True))
    steps = [{row["step"] for row in rows} for rows in practiced.values()]
    assert all(len(one) == 1 for one in steps)
    course = [one.pop() for one in steps]
    assert course[0] == kid.programs[0].ladder.probe_step + 1
    assert course == sorted(course, reverse=True)
    assert course[-1] < course[0]


def test_calming_lowers_later_trials_of_a_visit_only():
    _, calm = rows_by(PracticeRule(eased=True, calming=3.0))
    _, level = rows_by(PracticeRule(eased=True, calming=0.0))

    def fall(practiced):
        rated = [
            [row["fear_peak"] for row in rows if row["fear_peak"] is not None]
            for rows in practiced.values()
        ]
        return np.mean([one[0] - one[-1] for one in rated if len(one) > 1])

    assert fall(calm) > 2
    assert abs(fall(level)) < 1
