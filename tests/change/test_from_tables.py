"""Measures and goals through tables, as the reader gives them."""

import math

import numpy as np
import pytest
from rungwise.change.from_tables import goal_attainment, measure_changes
from rungwise.change.goals import goal_attainment_t
from rungwise.change.reliable_change import METHODS, reliable_change
from rungwise.tables.practice import Practice
from rungwise.tables.problems import ProblemReport
from rungwise.tables.table import Table, TableSet

MEASURE = {
    "measure_id": "MOVEFEAR", "title": "Movement fear questionnaire (invented)", "better": "lower",
    "minimum": 0.0, "maximum": 60.0, "score_kind": "raw", "reliability": 0.86,
    "reliability_kind": "test_retest", "retest_days": 14.0, "clinical_mean": 38.0, "clinical_sd": 9.0,
    "functional_mean": 15.0, "functional_sd": 8.0, "practice_effect": math.nan, "source": "invented",
    "own_group": False, "group_size": math.nan, "second_mean": math.nan, "second_sd": math.nan,
    "retest_correlation": math.nan,
}  # fmt: skip


def _column(name, entries):
    if name in ("date", "set_on"):
        return np.array(entries, dtype="datetime64[D]")
    if all(entry is None or isinstance(entry, str) for entry in entries):
        return np.array(entries, dtype=object)
    return np.array(entries, dtype=float)


def _table(name, columns, rows):
    data = {column: _column(column, [row[i] for row in rows]) for i, column in enumerate(columns)}
    return Table(name, data, np.arange(2, len(rows) + 2), np.full(len(rows), f"{name}.csv", dtype=object))


def _tables(**tables):
    return TableSet(tables, Practice(), ProblemReport())


def _scores(*rows):
    return _table(
        "assessments", ("child_id", "measure_id", "date", "occasion", "score", "rated_by"), list(rows)
    )


def _measures(*changes):
    rows = [{**MEASURE, **change} for change in (changes or ({},))]
    return _table("measures", tuple(MEASURE), [tuple(row.values()) for row in rows])


def test_scores_are_paired_by_child_and_rater():
    tables = _tables(
        measures=_measures(),
        assessments=_scores(
            ("C2", "MOVEFEAR", "2026-01-10", "intake", 45, "parent"),
            ("C1", "MOVEFEAR", "2026-01-05", "intake", 40, "parent"),
            ("C1", "MOVEFEAR", "2026-02-05", "review", 30, "parent"),
            ("C1", "MOVEFEAR", "2026-04-05", "discharge", 12, "parent"),
            ("C1", "MOVEFEAR", "2026-01-05", "intake", 50, "child"),
            ("C1", "MOVEFEAR", "2026-04-05", "discharge", 49, "child"),
        ),
    )
    parent, child = measure_changes(tables)
    assert (parent.rated_by, child.rated_by) == ("parent", "child")
    assert parent.classes.labels == ("C1", "C2")
    assert parent.classes.changes[0].counts["change"] == -28
    alone = reliable_change(40, 12, 9, 0.86, better="lower")
    assert parent.classes.changes[0].value == alone.value
    assert parent.classes.categories.tolist() == ["recovered", "cannot_be_said"]
    assert child.classes.categories.tolist() == ["unchanged"]
    frame = parent.frame()
    assert frame["second_on"].iloc[0] == np.datetime64("2026-04-05")
    assert any("Raw scores 90 days apart" in words for words in parent.classes.changes[0].cautions)
    (reviewed, _) = measure_changes(tables, later="review")
    assert reviewed.classes.changes[0].counts["change"] == -10


def test_different_kinds_of_rater_are_never_compared():
    tables = _tables(
        measures=_measures(),
        assessments=_scores(
            ("C1", "MOVEFEAR", "2026-01-05", "intake", 40, "parent"),
            ("C1", "MOVEFEAR", "2026-04-05", "discharge", 12, "child"),
            ("C2", "MOVEFEAR", "2026-01-05", "intake", 40, None),
            ("C2", "MOVEFEAR", "2026-04-05", "discharge", 12, None),
        ),
    )
    by_rater = {change.rated_by: change for change in measure_changes(tables)}
    assert by_rater["parent"].classes.categories.tolist() == ["cannot_be_said"]
    assert by_rater["child"].classes.categories.tolist() == ["cannot_be_said"]
    assert by_rater["not recorded"].classes.categories.tolist() == ["recovered"]
    words = "Children whose two scores are by different kinds of rater and not compared: 1."
    assert by_rater["parent"].cautions == by_rater["child"].cautions == (words,)
    assert by_rater["not recorded"].cautions == ()


def test_absent_reference_values_cannot_be_said():
    tables = _tables(
        measures=_measures({"reliability": math.nan}, {"measure_id": "B", "functional_sd": math.nan}),
        assessments=_scores(
            ("C1", "MOVEFEAR", "2026-01-05", "intake", 40, "parent"),
            ("C1", "MOVEFEAR", "2026-04-05", "discharge", 12, "parent"),
            ("C1", "B", "2026-01-05", "intake", 40, "parent"),
            ("C1", "B", "2026-04-05", "discharge", 12, "parent"),
        ),
    )
    no_reliability, no_norms = measure_changes(tables)
    assert no_reliability.classes.categories.tolist() == ["cannot_be_said"]
    assert no_norms.classes.words(0) == "improved (whether recovered cannot be said)"


ONE_CHANGE = (
    ("C1", "MOVEFEAR", "2026-01-05", "intake", 40, "parent"),
    ("C1", "MOVEFEAR", "2026-04-05", "discharge", 20, "parent"),
)


def test_every_method_takes_its_reference_values_from_the_table():
    known = {
        "practice_effect": -1.5, "group_size": 40.0, "second_mean": 36.0, "second_sd": 9.5,
        "retest_correlation": 0.8,
    }  # fmt: skip
    for method, way in METHODS.items():
        (with_values,) = measure_changes(
            _tables(measures=_measures(known), assessments=_scores(*ONE_CHANGE)), method=method
        )
        direct = reliable_change(
            40, 20, better="lower", method=method, sd=9, reliability=0.86, mean=38, practice_effect=-1.5,
            n=40, post_mean=36, post_sd=9.5, retest_correlation=0.8,
        )  # fmt: skip
        assert with_values.classes.changes[0].value == direct.value
        assert not math.isnan(direct.value)
        assert with_values.reference.source == "invented"
        (without,) = measure_changes(
            _tables(measures=_measures(), assessments=_scores(*ONE_CHANGE)), method=method
        )
        needs_more = set(way.needs) - {"sd", "reliability", "mean"}
        assert math.isnan(without.classes.changes[0].value) == bool(needs_more)


@pytest.mark.parametrize(
    ("size", "category", "many"),
    [
        (20.0, "recovered", ""),
        (19.0, "cannot_be_said", "19 children"),
        (math.nan, "cannot_be_said", "an unknown number of children"),
    ],
)
def test_an_own_group_below_20_children_is_refused(size, category, many):
    small = _measures({"own_group": True, "group_size": size})
    (change,) = measure_changes(_tables(measures=small, assessments=_scores(*ONE_CHANGE)))
    assert change.classes.categories.tolist() == [category]
    if many:
        assert f"own group of {many}, not at least 20" in change.cautions[0]
        assert math.isnan(change.cutoffs.c.value)
    else:
        assert change.cautions == ()
        assert any("practice's own 20 children" in said for said in change.classes.changes[0].cautions)


@pytest.mark.parametrize(
    ("change", "words", "category"),
    [
        ({"retest_correlation": 1.0}, "The retest correlation recorded (1) is not between -1", "recovered"),
        ({"group_size": 20.5}, "The group size recorded (20.5) is not a whole number", "recovered"),
        ({"reliability": 1.0}, "The reliability recorded (1) is not between 0 and 1", "cannot_be_said"),
        ({"clinical_sd": 0.0}, "The clinical sd recorded (0) is not above 0", "cannot_be_said"),
        ({"functional_sd": 0.0}, "The functional sd recorded (0) is not above 0", "improved"),
        ({"functional_mean": 50.0}, "The functional mean recorded (50) is not on the better", "improved"),
    ],
)
def test_values_that_cannot_be_right_are_said_and_not_used(change, words, category):
    tables = _tables(
        measures=_measures(change),
        assessments=_scores(
            ("C1", "MOVEFEAR", "2026-01-05", "intake", 40, "parent"),
            ("C1", "MOVEFEAR", "2026-04-05", "discharge", 12, "parent"),
        ),
    )
    (result,) = measure_changes(tables)
    assert result.classes.categories.tolist() == [category]
    assert result.cautions[0].startswith(words)


def test_repeated_and_backward_scores_are_said():
    tables = _tables(
        measures=_measures(),
        assessments=_scores(
            ("C1", "MOVEFEAR", "2026-01-09", "intake", 20, "parent"),
            ("C1", "MOVEFEAR", "2026-01-05", "intake", 40, "parent"),
            ("C1", "MOVEFEAR", "2026-04-05", "discharge", 12, "parent"),
            ("C1", "MOVEFEAR", "2026-05-05", "follow_up", 14, "parent"),
            ("C2", "MOVEFEAR", "2026-03-05", "intake", 40, "parent"),
            ("C2", "MOVEFEAR", "2026-02-05", "discharge", 12, "parent"),
        ),
    )
    (change,) = measure_changes(tables)
    assert change.classes.changes[0].counts["pre"] == 40
    assert change.classes.changes[0].counts["post"] == 14
    assert change.classes.categories.tolist() == ["recovered", "cannot_be_said"]
    assert change.cautions == (
        "Intake scores not used, because a child had an earlier one: 1.",
        "Children whose later score is dated before intake, so that it is not used: 1.",
    )


def test_tables_not_recorded_say_nothing():
    assert measure_changes(_tables()) == ()
    assert measure_changes(_tables(measures=_measures())) == ()
    assert goal_attainment(_tables()) is None
    assert goal_attainment(_tables(goals=GOALS, goal_ratings=RATINGS), until="2020-01-01") is None
    with pytest.raises(ValueError, match="later must be one of 'latest', 'review'"):
        measure_changes(_tables(), later="intake")


GOALS = _table(
    "goals",
    ("child_id", "goal_id", "set_on", "weight", "start_level"),
    [
        ("C2", "G1", "2026-01-05", 1.0, -1.0),
        ("C1", "G1", "2026-01-05", 2.0, -2.0),
        ("C1", "G2", "2026-01-05", 1.0, -1.0),
        ("C1", "G3", "2026-03-05", 1.0, -1.0),
    ],
)
RATINGS = _table(
    "goal_ratings",
    ("child_id", "goal_id", "date", "level"),
    [
        ("C1", "G1", "2026-04-01", 1.0),
        ("C1", "G1", "2026-02-01", -1.0),
        ("C1", "G2", "2026-03-01", 0.0),
    ],
)


def test_goals_take_the_latest_rating_of_each():
    result = goal_attainment(_tables(goals=GOALS, goal_ratings=RATINGS))
    assert result.children == ("C1", "C2")
    start = goal_attainment_t([-2, -1, -1], [2, 1, 1]).value
    assert result.start.value[0] == pytest.approx(start)
    latest = goal_attainment_t([1, 0, None], [2, 1, 1])
    assert result.latest.value[0] == pytest.approx(latest.value)
    assert result.change[0].n == 2
    assert result.rated_on[0] == np.datetime64("2026-04-01")
    assert np.isnat(result.rated_on[1])
    assert math.isnan(result.latest.value[1])
    # The second child has one goal: the filling of the table does not count as a goal.
    assert result.start.value[1] == pytest.approx(40)
    frame = result.frame()
    assert frame["goals"].tolist() == [3, 1]
    assert frame["missing"].tolist() == [1, 1]


def test_goals_up_to_a_day():
    result = goal_attainment(_tables(goals=GOALS, goal_ratings=RATINGS), until="2026-02-15")
    assert result.latest.counts["goals"].tolist() == [2, 1]
    assert result.latest.value[0] == pytest.approx(goal_attainment_t([-1, None], [2, 1]).value)


def test_goals_without_ratings():
    result = goal_attainment(_tables(goals=GOALS))
    assert np.isnan(result.latest.value).all()
    assert not np.isnan(result.start.value).any()
