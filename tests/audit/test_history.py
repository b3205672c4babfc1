import math
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from rungwise.audit.charts import TRIAL_QUARTERS
from rungwise.audit.courses import Course
from rungwise.audit.history import QUARTERS, about_charts, compared, earlier_due, fisher_p, history
from rungwise.audit.quarter import Quarter
from scipy.stats import fisher_exact

Q3 = Quarter.parse("2026Q3")


@pytest.fixture
def run(outcome):
    """Outcomes of several quarters: ``run({"2026Q1": (fell, rose)})``."""

    def build(quarters):
        made = []
        for label, (fell, rose) in quarters.items():
            due = Quarter.parse(label).first
            for code, n in (("fell_short_baseline", fell), ("rose", rose)):
                for i in range(n):
                    one = outcome(f"{label}{code}{i}", code)
                    made.append(replace(one, course=replace(one.course, due_on=due)))
        return made

    return build


def test_quarters_without_outcomes_are_shown_as_gaps_not_left_out(run):
    table = history(run({"2025Q4": (2, 2), "2026Q2": (3, 1), "2026Q3": (4, 0)}), Q3)
    assert table["quarter"].tolist() == ["2025Q4", "2026Q1", "2026Q2", "2026Q3"]
    assert table["judged"].tolist() == [4, 0, 4, 4]
    assert table["share"].tolist()[0] == 0.5
    assert math.isnan(table["share"][1])
    assert table["rose"].tolist() == [2, 0, 1, 0]
    assert table["center"].isna().all()


def test_this_quarter_stands_there_even_without_outcomes():
    table = history([], Q3)
    assert table["quarter"].tolist() == ["2026Q3"]
    assert table["due"].tolist() == [0]


def test_a_chart_has_limits_only_with_enough_quarters(run):
    labels, step = [], Q3
    for _ in range(TRIAL_QUARTERS):
        labels.insert(0, step.label)
        step = step.previous
    table = history(run(dict.fromkeys(labels[:-1], (10, 10)) | {labels[-1]: (20, 0)}), Q3)
    center = 90 / 160
    half = 3 * math.sqrt(center * (1 - center) / 20)
    np.testing.assert_allclose(table["center"], center)
    np.testing.assert_allclose(table["limit_high"], center + half)
    np.testing.assert_allclose(table["limit_low"], center - half)
    assert table["signal"].tolist() == [""] * 7 + ["share above the limits"]
    assert "Called a signal: 2026Q3, share above the limits. A signal asks" in about_charts(table)[-1]
    short = history(run(dict.fromkeys(labels[1:], (10, 10))), Q3)
    assert short[["center", "nap_center", "median"]].isna().all(axis=None)
    assert "median. None is called a signal." in about_charts(short)[-1]
    few = history(run(dict.fromkeys(labels[-3:], (10, 10))), Q3)
    assert about_charts(few)[-1].startswith("3 quarters have judged children. It takes 5 to see 5 in a row")
    assert about_charts(few)[-1].endswith("So no rise or fall between quarters is called a signal.")
    assert about_charts(short.tail(1)) == ()


def test_the_comparison_is_with_the_last_quarter_that_has_children(run):
    (sentence,) = compared(history(run({"2026Q1": (1, 5), "2026Q3": (6, 0)}), Q3))
    p = fisher_exact([[6, 0], [1, 5]]).pvalue
    assert p < 0.05
    assert sentence == (
        "In 2026Q1 fear fell in 1 of 6 (17%): a difference that chance alone would seldom make "
        f"(exact p = .{round(p * 1000):03d})."
    )
    (calm,) = compared(history(run({"2026Q2": (3, 3), "2026Q3": (4, 2)}), Q3))
    assert "could well make" in calm
    assert compared(history(run({"2026Q3": (4, 2)}), Q3)) == ()
    assert compared(history(run({"2026Q2": (3, 3)}), Q3)) == ()


def test_earlier_outcomes_are_those_of_the_quarters_shown():
    first = Q3
    for _ in range(QUARTERS - 1):
        first = first.previous
    days = [first.first, date(2026, 6, 30), Q3.first, first.previous.last, None]
    courses = [Course(f"C{i}", due_on=day) for i, day in enumerate(days)]
    assert [course.child_id for course in earlier_due(courses, Q3)] == ["C0", "C1"]


def test_the_mean_nap_has_a_chart_of_individual_values(run):
    labels, step = [], Q3
    for _ in range(12):
        labels.insert(0, step.label)
        step = step.previous
    made = run(dict.fromkeys(labels, (10, 10)))
    naps = dict(zip(labels, [0.5, 0.6, 0.5, 0.6, 0.5, 0.6, 0.5, 0.6, 0.5, 0.6, 0.5, 0.95], strict=True))
    for one in made:
        label = Quarter.containing(one.course.due_on).label
        size = replace(one.answer.verdict.size, value=naps[label])
        object.__setattr__(one.answer, "verdict", replace(one.answer.verdict, size=size))
    table = history(made, Q3)
    assert table["mean_nap"].tolist() == pytest.approx(list(naps.values()))
    moving = (10 * 0.1 + 0.45) / 11
    center = sum(naps.values()) / 12
    assert table["nap_center"].iloc[0] == pytest.approx(center)
    assert table["nap_high"].iloc[0] == pytest.approx(center + 3 * moving * math.sqrt(math.pi) / 2)
    assert table["median"].tolist() == [0.5] * 12
    assert table["signal"].tolist() == [""] * 11 + ["mean NAP above the limits"]


@pytest.mark.parametrize(
    "table", [(3, 4, 1, 4), (0, 5, 6, 9), (9, 12, 30, 77), (7, 7, 0, 3), (150, 260, 90, 181)]
)
def test_exact_p_of_two_shares_is_that_of_a_general_routine(table):
    count, n, other, other_n = table
    general = fisher_exact([[count, n - count], [other, other_n - other]]).pvalue
    assert fisher_p(*table) == pytest.approx(general, rel=1e-10)
