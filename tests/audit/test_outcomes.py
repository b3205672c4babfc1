import math
from datetime import date

import numpy as np
import pytest
from rungwise.audit.cohort import cohort
from rungwise.audit.outcomes import (
    benjamini_hochberg,
    beside,
    false_discovery,
    judge,
    mean_nap,
    shares,
    spread_sentence,
    stage_of,
    synthesized_nap,
)
from rungwise.audit.quarter import Quarter
from rungwise.single_case.child_answer import child_answer, child_answers
from rungwise.single_case.error_rates import ErrorRates
from rungwise.single_case.verdict import VERDICTS
from rungwise.study.synthesis import synthesize
from scipy.stats import false_discovery_control

Q3 = Quarter.parse("2026Q3")
LATER = date(2027, 1, 15)
FALLING = [6, 6, 5, 5, 4, 4, 3, 3, 2, 2, 1, 1]


def test_shares_name_their_denominator_and_add_up():
    codes = ["fell_beyond_baseline"] * 5 + ["fell_short_baseline"] * 3 + ["rose"] + ["no_clear_change"] * 3
    table = shares(codes).set_index("code")
    assert table.loc["fell", "children"] == 8
    assert (table["n"] == 12).all()
    assert table["children"].drop("fell").sum() == 12
    assert list(table.index) == ["fell", *(code for code in VERDICTS if code != "too_few")]
    # Wilson limits of 8 in 12, by the formula.
    z, n, share = 1.959964, 12, 8 / 12
    center, half = share + z**2 / (2 * n), z * math.sqrt(share * (1 - share) / n + z**2 / (4 * n**2))
    assert table.loc["fell", "ci_low"] == pytest.approx((center - half) / (1 + z**2 / n), abs=1e-6)
    assert table.loc["fell", "ci_high"] == pytest.approx((center + half) / (1 + z**2 / n), abs=1e-6)


def test_shares_of_nobody_are_missing_not_zero():
    table = shares([])
    assert table["share"].isna().all()
    assert (table["children"] == 0).all()


def test_those_who_left_early_stand_beside_those_who_finished(outcome):
    table = beside(
        [
            outcome("C01", due_by="left_early"),
            outcome("C02", "rose", due_by="left_early"),
            outcome("C03", "", stage="no_ratings", due_by="left_early"),
            outcome("C04", due_by="exposure_ended"),
        ]
    ).set_index("due_by")
    assert table.loc["left_early", ["due", "judged", "fell", "rose", "other"]].tolist() == [3, 2, 1, 1, 0]
    assert table.loc["left_early", "share_fell"] == 0.5
    assert table.loc["exposure_ended", ["due", "judged", "fell"]].tolist() == [1, 1, 1]
    assert math.isnan(table.loc["horizon", "share_fell"])


def test_the_headline_counts_every_judged_child_once_and_equally(outcome):
    group = [outcome(f"C{i}", nap=nap) for i, nap in enumerate([0.6, 0.7, 0.9, 1.0])]
    group.append(outcome("C9", "too_few", stage="few_baseline", nap=0.1))
    mean = mean_nap(group)
    values = np.array([0.6, 0.7, 0.9, 1.0])
    half = 3.182446 * values.std(ddof=1) / 2  # t of 3 degrees of freedom
    assert mean.n == 4
    assert mean.value == pytest.approx(0.8)
    assert mean.ci_low == pytest.approx(0.8 - half, abs=1e-6)
    assert mean.ci_high == 1.0  # 1.0904 cut at the end of the scale
    assert "cut there" in mean.cautions[-1]
    assert mean.favors == "improvement"


@pytest.mark.parametrize("naps", [[], [0.9], [1.0, 1.0, 1.0]])
def test_the_headline_gives_no_interval_where_it_would_be_false(outcome, naps):
    mean = mean_nap([outcome(f"C{i}", nap=nap) for i, nap in enumerate(naps)])
    assert math.isnan(mean.ci_low)
    assert len(mean.cautions) == 1


def test_false_discoveries_are_sentences_about_the_caseload(outcome):
    rates = ErrorRates(5, 10, {0.0: 0.02, 0.6: 0.1}, {0.0: 0.6, 0.6: 0.4}, "a fall of 3 points")
    group = [outcome(f"C{i}", p=p, rates=rates) for i, p in enumerate([0.001, 0.012, 0.04, 0.045])]
    group += [outcome(f"D{i}", "no_clear_change", p=0.5, rates=rates) for i in range(6)]
    chance, stand, measured = false_discovery(group, 0.05)
    assert "10 children" in chance
    assert "about 0.2 would" in chance  # 10 × .05 / 2, rounded
    assert "about 0.5 as a rise" in chance  # a rise is called at the one-sided level
    assert stand.startswith("Of the 4 falls, 1 would stand")
    assert "between 0.2 and 1.0 of the 10 children judged on one ladder" in measured
    assert measured.endswith("4 were.")
    assert [one.answer.verdict.fell.p_value for one in group[:4]] == [0.001, 0.012, 0.04, 0.045]


def test_one_child_alone_raises_no_question_of_many(outcome):
    assert false_discovery([outcome()], 0.05) == ()


def test_benjamini_hochberg_published_example():
    # Benjamini & Hochberg 1995, 15 p-values: 4 stand at .05 (from memory of the paper; recomputed).
    p = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719,
         0.6528, 0.7590, 1.000]  # fmt: skip
    assert benjamini_hochberg(p, 0.05) == [True] * 4 + [False] * 11


def test_benjamini_hochberg_against_scipy():
    rng = np.random.default_rng(5)
    for _ in range(50):
        p = rng.beta(0.4, 1, rng.integers(1, 40))
        assert benjamini_hochberg(p, 0.05) == (false_discovery_control(p) <= 0.05).tolist()
    assert benjamini_hochberg([], 0.05) == []


def test_the_verdict_is_the_childs_own_with_data_up_to_the_due_day(caseload, weekly):
    rows = weekly("C01", "2026-05-04", [7, 8, 7, 8], FALLING)  # exposure June 1, due August 24
    later = weekly("C01", "2026-08-31", [], [10] * 10)
    (with_later,) = judge(load := caseload(ratings=rows + later), cohort(load, Q3, LATER).due)
    (without,) = judge(load := caseload(ratings=rows), cohort(load, Q3, LATER).due)
    alone = child_answer(load, "C01")
    # Compared as text, in which a missing number equals a missing number.
    assert repr(with_later.answer.verdict) == repr(without.answer.verdict) == repr(alone.verdict)
    assert with_later.code.startswith("fell")
    assert repr(child_answer(caseload(ratings=rows + later), "C01").verdict) != repr(alone.verdict)


def test_children_answered_together_get_the_answers_they_get_alone(caseload, weekly):
    rng = np.random.default_rng(11)
    rows = []
    for i in range(12):
        n_a, n_b = rng.integers(1, 9), rng.integers(1, 15)
        values = [None if value > 10 else int(value) for value in rng.integers(1, 12, n_a + n_b)]
        rows += weekly(f"C{i:02d}", "2026-01-05", values[:n_a], values[n_a:], ladder="net")
        if i == 5:
            rows += weekly(f"C{i:02d}", "2026-01-05", values[:n_a], values[n_a:], ladder="tire")
    load = caseload(ratings=rows)
    together = child_answers(load, dict.fromkeys(load.children, "fear"))
    for answer in together:
        alone = child_answer(load, answer.child_id)
        one, other = answer.verdict, alone.verdict
        assert (one.code, one.words, one.cautions) == (other.code, other.words, other.cautions)
        assert answer.headline == alone.headline
        for name in ("fell", "size", "baseline_trend", "beyond_baseline", "difference"):
            left, right = getattr(one, name), getattr(other, name)
            np.testing.assert_allclose(
                [left.value, left.ci_low, left.ci_high, left.p_value],
                [right.value, right.ci_low, right.ci_high, right.p_value],
                rtol=1e-7,
                atol=1e-9,
            )
    assert child_answers(load, {}) == ()


def test_a_child_is_counted_once_however_many_ladders(caseload, weekly):
    rows = [
        *weekly("C01", "2026-05-04", [7, 8, 7, 8], FALLING, ladder="net"),
        *weekly("C01", "2026-05-05", [7, 8, 7, 8], FALLING, ladder="tire"),
    ]
    load = caseload(ratings=rows)
    outcomes = judge(load, cohort(load, Q3, LATER).due)
    assert len(outcomes) == 1
    assert len(outcomes[0].answer.ladders) == 2


def test_who_cannot_be_judged_gets_a_reason(caseload, weekly):
    rows = [
        *weekly("C01", "2026-05-18", [7, 8], FALLING),
        *weekly("C02", "2026-05-04", [7, 8, 7, 8], FALLING[:2]),
        *weekly("C03", "2026-05-04", [7, 8, 7, 8], FALLING, outcome="distance"),
        *weekly("C03", "2026-05-05", [7, 8, 7, 8], FALLING, outcome="time"),
    ]
    children = [{"child_id": f"C0{i}", "entered_on": "2026-05-01"} for i in (1, 2, 3, 4)]
    phases = [
        {"child_id": "C04", "ladder_id": "", "starts_on": "2026-05-01", "phase": "baseline"},
        {"child_id": "C04", "ladder_id": "", "starts_on": "2026-06-01", "phase": "exposure"},
    ]
    load = caseload(ratings=rows, children=children, phases=phases)
    done = []
    outcomes = judge(load, cohort(load, Q3, LATER).due, progress=lambda *step: done.append(step))
    assert {one.course.child_id: one.stage for one in outcomes} == {
        "C01": "few_baseline",
        "C02": "few_exposure",
        "C03": "outcome_unclear",
        "C04": "no_ratings",
    }
    assert all(one.code == "" for one in outcomes)
    assert done == [(2, 2)]


def test_too_alike_is_said_apart_from_too_few(outcome):
    assert stage_of(outcome("C01", "too_few", baseline=5, exposure=8).answer) == "too_few"
    assert stage_of(outcome("C01", "too_few", baseline=2, exposure=8).answer) == "few_baseline"
    assert stage_of(outcome("C01", "too_few", baseline=5, exposure=4).answer) == "few_exposure"
    assert stage_of(outcome("C01", "no_room").answer) == "judged"


def test_the_weighted_average_rests_on_lengths_alone(outcome):
    group = [outcome(f"C{i}", nap=nap, baseline=n, exposure=2 * n) for i, (nap, n) in enumerate(
        [(0.6, 4), (0.9, 12), (0.7, 6), (1.0, 5)])]  # fmt: skip
    found = synthesized_nap(group)
    variances = [(3 * n + 1) / (12 * n * 2 * n) for n in (4, 12, 6, 5)]
    expected = synthesize([0.6, 0.9, 0.7, 1.0], variances)
    assert found.average.value == pytest.approx(expected.average.value)
    assert found.average.ci_low == pytest.approx(expected.average.ci_low)
    (sentence,) = spread_sentence(found)
    assert "a further child like these would be expected between" in sentence
    assert "100%" in sentence  # limits end where the scale ends


def test_one_child_has_no_weighted_average(outcome):
    assert synthesized_nap([outcome()]) is None
    assert spread_sentence(None) == ()
