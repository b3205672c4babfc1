"""Preference for numbers of the scale, by kind of rater."""

from datetime import date
from math import comb

import numpy as np
import pytest
from rungwise.audit.cohort import cohort
from rungwise.audit.digits import about_digits, at_least, digit_preference
from rungwise.audit.quarter import Quarter
from rungwise.tables.practice import Scale
from scipy.stats import binom

QUARTER = Quarter.parse("2026Q3")


def rated(values, by="parent", first="2026-07-01", outcome=None):
    day = np.datetime64(first)
    return [
        {"child_id": f"C{i:03d}", "date": day, "phase": "exposure", "rating": value, "rated_by": by,
         "outcome": outcome}
        for i, value in enumerate(values)
    ]  # fmt: skip


def looked_at(load):
    return digit_preference(load, cohort(load, QUARTER, date(2026, 11, 1)))


@pytest.mark.parametrize(
    ("values", "clear"), [([5] * 25 + [4] * 4 + [6] * 3, True), ([5] * 12 + [4] * 11 + [6] * 12, False)]
)
def test_the_middle_is_held_against_its_neighbors(caseload, values, clear):
    table = looked_at(caseload(ratings=rated([*values, 0, 0, 10])))
    row = table.iloc[0]
    assert (row["rated_by"], row["ratings"], row["of"]) == ("parent", len(values) + 3, len(values))
    assert row["count"] == values.count(5)
    (said,) = about_digits(table)
    assert said.startswith("Ratings by parent: 5, of 4 to 6, 78%" if clear else "No clear preference")


def test_the_p_is_the_exact_tail(caseload):
    n, k = 32, 25
    tail = sum(comb(n, i) * 2 ** (n - i) for i in range(k, n + 1)) / 3**n
    table = looked_at(caseload(ratings=rated([5] * k + [4] * (n - k))))
    assert table["p_value"].tolist() == pytest.approx([tail])


def test_raters_are_kept_apart_and_other_quarters_left_out(caseload):
    ratings = rated([5] * 40) + rated([5] * 3, by="child", first="2026-07-02")
    ratings += rated([4] * 40, first="2026-05-01")
    table = looked_at(caseload(ratings=ratings)).set_index("rated_by")
    assert table["ratings"].to_dict() == {"child": 3, "parent": 40}
    assert np.isnan(table.loc["child", "share"])
    assert len(about_digits(table.reset_index())) == 1


def test_a_long_scale_is_looked_at_for_round_tens(caseload):
    values = [10, 20, 30, 40, 50] * 8 + [13, 27]
    scales = {"fear": Scale(0, 100)}
    table = looked_at(caseload(practice={"scales": scales}, ratings=rated(values)))
    assert table.iloc[0][["looked_at", "count", "of"]].tolist() == ["round tens", 40, 42]
    assert about_digits(table)[0].startswith("Ratings by parent: round tens, 95%")


def test_too_few_ratings_say_so_and_none_say_nothing(caseload):
    assert about_digits(looked_at(caseload(ratings=rated([5, 5, 5]))))[0].startswith("Too few ratings")
    assert about_digits(looked_at(caseload())) == ()


@pytest.mark.parametrize(
    ("count", "of", "one_in"),
    [(0, 30, 3), (30, 30, 3), (15, 30, 3), (16, 31, 10), (1, 31, 3), (700, 6000, 10), (2000, 6000, 3)],
)
def test_exact_p_is_that_of_a_general_routine(count, of, one_in):
    assert at_least(count, of, one_in) == pytest.approx(binom.sf(count - 1, of, 1 / one_in), rel=1e-9)


def test_p_so_small_that_no_number_holds_it_is_not_0():
    assert 0 < at_least(2000, 2000, 10) < 1e-300
