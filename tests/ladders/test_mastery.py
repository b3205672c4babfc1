"""Mastery by the practice's criterion, against the rule told day by day."""

import numpy as np
import pandas as pd
import pytest
from rungwise.ladders.mastery import (
    LEFT,
    MASTERED,
    mastery_curves,
    mastery_episodes,
    steps_where_children_stall,
)
from rungwise.ladders.survival import kaplan_meier
from rungwise.series.caseload import read_caseload
from rungwise.simulate.practice import simulate_practice
from rungwise.simulate.writing import write_tables


def _only(records):
    episodes = mastery_episodes(records.read())
    assert len(episodes) == 1
    return episodes.frame().iloc[0]


def test_two_low_days_in_a_row_are_mastery(records):
    for day, peak in enumerate([6, 3, 4, 3, 2, 5]):
        records.trial(2 * day, 1, peak)
    row = _only(records)
    assert (row["result"], row["occasions"], row["days"]) == ("mastered", 5, 8)
    assert pd.isna(row["lost_on"])


def test_every_trial_of_a_day_must_be_low_and_completed(records):
    for day in range(3):
        records.trial(day, 1, 2, number=1)
        records.trial(day, 1, 5 if day == 1 else 3, number=2)
    assert _only(records)["result"] == "not there yet"
    records.trial(4, 1, 1)
    records.trial(5, 1, 1, outcome="partial")
    assert _only(records)["result"] == "mastered"  # days 2 and 4


@pytest.mark.parametrize("second", ["declined", None])
def test_a_decline_or_a_missing_rating_breaks_the_row(records, second):
    for day, peak in enumerate([2, second, 2]):
        records.trial(day, 1, peak)
    row = _only(records)
    assert row["result"] == "not there yet"
    assert row["unrated"] == (second is None)


def test_the_criterion_is_the_practice_s_own(records):
    records.toml = "[mastery]\nrating_at_most = 5\noccasions_in_a_row = 3\n"
    for day, peak in enumerate([5, 5, 4, 9]):
        records.trial(day, 1, peak)
    row = _only(records)
    assert (row["result"], row["occasions"]) == ("mastered", 3)


def test_the_primary_rating_may_be_the_one_before(records):
    records.toml = 'primary_rating = "before"\n'
    for day in range(2):
        records.trial(day, 1, 9, before=1)
    assert _only(records)["result"] == "mastered"


@pytest.mark.parametrize(
    ("later", "lost"),
    [
        ([4, 4, "declined"], "2026-01-07"),
        ([4, None, 4], None),
        ([4, 4], "2026-01-07"),
        ([4, 3, 4], None),
        (["declined"], "2026-01-05"),
        ([2], None),
    ],
)
def test_mastery_lost_again(records, later, lost):
    for day, peak in enumerate([3, 3, *later]):
        records.trial(2 * day, 1, peak)
    row = _only(records)
    assert row["result"] == "mastered"
    assert (None if pd.isna(row["lost_on"]) else str(row["lost_on"].date())) == lost


def test_leaving_because_of_fear_competes_and_other_ends_censor(records):
    records.child("C1", "2026-02-05", "fear")
    records.child("C2", "2026-02-05", "moved")
    for child in ("C1", "C2"):
        records.trial(0, 1, 6, child=child)
        records.trial(7, 1, 6, child=child)
    frame = mastery_episodes(records.read()).frame().set_index("child_id")
    assert (frame.loc["C1", "result"], frame.loc["C1", "days"]) == (LEFT, 35)
    assert (frame.loc["C2", "result"], frame.loc["C2", "days"]) == ("not there yet", 7)


def test_a_step_passed_over_is_followed_until_it_was_last_offered(records):
    records.child("C1", "2026-02-05", "fear")
    records.trial(0, 1, 6)
    records.trial(4, 1, 6)
    records.trial(6, 2, 6)
    records.trial(9, 2, 6)
    frame = mastery_episodes(records.read()).frame().set_index("step")
    assert frame["passed_over"].tolist() == [True, False]
    assert (frame.loc[1, "result"], frame.loc[1, "days"]) == ("not there yet", 4)
    assert frame.loc[2, "result"] == LEFT


def test_going_back_down_is_not_passing_over(records):
    records.trial(0, 2, 6)
    records.trial(4, 1, 6)
    assert not mastery_episodes(records.read()).passed_over.any()


def test_steps_of_one_child_and_ladders_are_apart(records):
    for day in range(2):
        records.trial(day, 1, 2)
        records.trial(day, 1, 8, ladder="net")
        records.trial(day, 1, 8, child="C2")
    frame = mastery_episodes(records.read()).frame()
    assert frame[["child_id", "ladder_id", "result"]].values.tolist() == [
        ["C1", "net", "not there yet"],
        ["C1", "wall", "mastered"],
        ["C2", "wall", "not there yet"],
    ]


def _by_hand(rows, ended_for_fear, last_day):
    """The rule for one step, told day by day: rows of (day, step, outcome, peak)."""
    by_day = {}
    for day, outcome, peak in rows:
        by_day.setdefault(day, []).append((outcome, peak))
    run = 0
    for count, day in enumerate(sorted(by_day), start=1):
        good = all(outcome == "completed" and peak <= 3 for outcome, peak in by_day[day])
        run = run + 1 if good else 0
        if run == 2:
            return MASTERED, count
    return (LEFT if ended_for_fear else None), len(by_day)


@pytest.fixture(scope="module")
def practice(tmp_path_factory):
    folder = tmp_path_factory.mktemp("practice")
    write_tables(simulate_practice(np.random.default_rng(8), 60, level=3).tables, folder)
    return read_caseload(folder)


def test_a_whole_practice_follows_the_rule(practice):
    episodes = mastery_episodes(practice)
    observations = practice.tables["observations"].frame
    children = practice.tables["children"].frame.set_index("child_id")
    phases = practice.tables["phases"].frame
    begun = phases[phases["phase"] == "exposure"].set_index(["child_id", "ladder_id"])["starts_on"]
    assert len(episodes) > 400
    for row in episodes.frame().itertuples():
        own = observations[
            (observations["child_id"] == row.child_id)
            & (observations["ladder_id"] == row.ladder_id)
            & (observations["step"] == row.step)
        ]
        # A ladder without phases of its own, an untrained one, has those of the child.
        key = (row.child_id, row.ladder_id)
        own = own[own["date"] >= (begun[key] if key in begun else begun[row.child_id].min())]
        triples = list(zip(own["date"], own["outcome"], own["fear_peak"].fillna(99), strict=True))
        fear = children.loc[row.child_id, "end_reason"] == "fear" and not row.passed_over
        result, count = _by_hand(triples, fear, None)
        assert (row.result if row.result != "not there yet" else None, row.occasions) == (result, count)


def test_curves_count_every_step_once(practice):
    episodes = mastery_episodes(practice)
    curves = mastery_curves(episodes)
    assert curves[MASTERED].events.sum() == (episodes.result == MASTERED).sum()
    assert curves[LEFT].events.sum() == (episodes.result == LEFT).sum()
    without_leaving = episodes.where(episodes.result != LEFT)
    alone = mastery_curves(without_leaving)[MASTERED]
    plain = kaplan_meier(without_leaving.occasions, without_leaving.result == MASTERED)
    assert alone.value == pytest.approx(1 - plain.value)
    assert "children" in curves[MASTERED].method
    days = mastery_curves(episodes, scale="days")[MASTERED]
    assert days.time.max() > curves[MASTERED].time.max()
    with pytest.raises(ValueError, match="scale must be one of 'occasions', 'days'; got 'weeks'"):
        mastery_curves(episodes, scale="weeks")


def test_the_table_of_steps_adds_up(practice):
    episodes = mastery_episodes(practice)
    frame = steps_where_children_stall(episodes)
    parts = frame[["mastered", "not_there_yet", "left_because_of_fear", "passed_over"]].sum(axis=1)
    assert parts.tolist() == frame["children"].tolist()
    assert frame["children"].sum() == len(episodes)
    assert (
        (frame["ci_low"] <= frame["share_mastered"]) & (frame["share_mastered"] <= frame["ci_high"])
    ).all()
    assert frame["lost_again"].sum() == (~np.isnat(episodes.lost_on)).sum() > 0


def test_no_trials(tmp_path):
    (tmp_path / "ratings.csv").write_text("child_id,date,phase,rating\nC1,2026-01-01,baseline,4\n")
    assert mastery_episodes(read_caseload(tmp_path)) is None


def test_trials_of_baseline_do_not_count(records):
    for day, peak in enumerate([2, 2, 5, 3, 3]):
        records.trial(day, 1, peak)
    records.phase_from(0, "baseline")
    records.exposure_from(2)
    row = _only(records)
    assert (row["result"], row["occasions"], row["days"]) == ("mastered", 3, 2)
