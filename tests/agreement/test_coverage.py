"""Double observation, through files as a practice keeps them."""

import math

import numpy as np
import pytest
from rungwise.agreement.coverage import agreement_frame, agreement_reviews
from rungwise.agreement.icc import icc
from rungwise.agreement.kappa import kappa
from rungwise.ladders.phase_on import phase_on
from rungwise.series.caseload import read_caseload
from rungwise.tables.table import TableSet
from scipy import stats

DAYS = [f"2026-01-{day:02d}" for day in range(1, 31)]


class Practice:
    """Files of a practice, row by row."""

    def __init__(self, folder):
        self.folder = folder
        self.tables = {
            "observations": ["child_id,ladder_id,date,trial,kind,step,outcome,fear_peak,rated_by,rater_id"],
            "agreement": ["child_id,ladder_id,date,trial,kind,step,rater_id,outcome,fear_peak"],
            "phases": ["child_id,ladder_id,starts_on,phase", "C1,,2026-01-11,exposure"],
        }

    def trial(self, day, outcome="completed", peak="", by="child", rater="", **changes):
        row = {"child": "C1", "ladder": "gangway", "trial": 1, "kind": "probe", "step": 4, **changes}
        key = "{child},{ladder},{day},{trial},{kind},{step}".format(day=DAYS[day], **row)
        self.tables["observations"].append(f"{key},{outcome},{peak},{by},{rater}")
        return key

    def second(self, key, outcome="completed", peak="", rater="R2"):
        self.tables["agreement"].append(f"{key},{rater},{outcome},{peak}")

    def read(self, *, without=()):
        for name, rows in self.tables.items():
            if name not in without and len(rows) > 1:
                (self.folder / f"{name}.csv").write_text("\n".join(rows) + "\n")
        return read_caseload(self.folder)


@pytest.fixture
def practice(tmp_path):
    return Practice(tmp_path)


def _ten_and_ten(practice, twice_before, twice_after, disagree=0):
    for day in range(20):
        key = practice.trial(day, "declined" if day % 3 == 0 else "completed", 5 if day % 3 else "")
        if day < twice_before or 10 <= day < 10 + twice_after:
            same = "declined" if day % 3 == 0 else "completed"
            practice.second(key, "partial" if disagree > 0 else same)
            disagree -= 1


def test_a_fifth_of_each_phase_and_full_agreement_meets(practice):
    _ten_and_ten(practice, 2, 2)
    everybody, child = agreement_reviews(practice.read())
    assert (everybody.child_id, child.child_id) == ("", "C1")
    (alone,) = agreement_reviews(practice.read(), each_child=False)
    assert repr(alone) == repr(everybody)
    assert child.verdict == everybody.verdict == "meets"
    assert [(one.phase, one.share.n, one.share.counts["count"]) for one in child.phases] == [
        ("baseline", 10, 2),
        ("exposure", 10, 2),
    ]
    assert child.reasons == (
        "baseline: 2 of 10 trials seen by a second observer (20.0 %, at least 20 %)",
        "exposure: 2 of 10 trials seen by a second observer (20.0 %, at least 20 %)",
        "agreement 1.00 (at least .80) and kappa 1.00 (at least .60), of which one is enough",
    )


@pytest.mark.parametrize(
    ("before", "after", "disagree", "verdict"),
    [
        (1, 9, 0, "does not meet"),  # half of all trials, but a tenth of the baseline
        (9, 1, 0, "does not meet"),
        (5, 5, 2, "meets"),  # .80
        (5, 5, 3, "does not meet"),  # .70
        (0, 0, 0, "cannot be said"),  # no second observer at all: the table is not there
    ],
)
def test_verdict(practice, before, after, disagree, verdict):
    _ten_and_ten(practice, before, after, disagree)
    review = agreement_reviews(practice.read())[1]
    assert review.verdict == verdict
    if verdict == "cannot be said":
        assert review.reasons == ("Second observers were not recorded.",)


def test_kappa_of_point_six_is_enough_without_agreement_of_point_eight(practice):
    first = ["completed"] * 7 + ["partial"] * 7 + ["declined"] * 6
    second = (
        ["completed"] * 5
        + ["partial"] * 2
        + ["partial"] * 5
        + ["declined"] * 2
        + ["declined"] * 5
        + ["partial"]
    )
    for day, (one, two) in enumerate(zip(first, second, strict=True)):
        practice.second(practice.trial(day, one, "" if one == "declined" else 5), two)
    review = agreement_reviews(practice.read())[1]
    assert review.overall.agreement.value == 0.75
    assert review.overall.kappa.value == pytest.approx(kappa(first, second).value)
    assert review.overall.kappa.value > 0.6
    assert review.verdict == "meets"
    enough = "kappa .63 is enough (at least .60), so agreement .75 need not reach .80"
    assert review.reasons[-1] == enough


@pytest.mark.parametrize(
    ("disagree", "verdict", "why"),
    [
        (0, "meets", "agreement 1.00 is enough (at least .80), kappa cannot be computed"),
        (2, "meets", "agreement .80 is enough (at least .80), so kappa .00 need not reach .60"),
        (3, "does not meet", "neither agreement .70 reaches .80 nor kappa .00 reaches .60"),
    ],
)
def test_agreement_of_point_eight_is_enough_without_kappa(practice, disagree, verdict, why):
    for day in range(10):
        practice.second(practice.trial(day, peak=3), "partial" if day < disagree else "completed")
    review = agreement_reviews(practice.read())[1]
    assert review.overall.agreement.value == 1 - disagree / 10
    assert disagree == 0 or review.overall.kappa.value == 0
    assert review.verdict == verdict
    assert review.reasons[-1] == why


def test_a_child_nobody_saw_twice_does_not_meet_when_others_were(practice):
    _ten_and_ten(practice, 2, 2)
    practice.trial(0, child="C2", peak=3)
    practice.tables["phases"].append("C2,,2026-01-20,exposure")
    review = agreement_reviews(practice.read())[2]
    assert review.child_id == "C2"
    assert review.verdict == "does not meet"
    assert review.reasons[-1] == "no trial was seen twice, so agreement cannot be computed"
    assert math.isnan(review.overall.agreement.value)


def test_one_observer_twice_is_no_second_observer(practice):
    key = practice.trial(1, peak=4, by="observer", rater="R2")
    practice.second(key, peak=4, rater="R2")
    review = agreement_reviews(practice.read())[1]
    assert review.phases[0].share.value == 0


def test_a_trial_in_several_rows_is_one_trial(practice):
    key = practice.trial(1, peak=4, by="child")
    practice.trial(1, peak=6, by="parent")
    practice.second(key)
    review = agreement_reviews(practice.read())[1]
    assert (review.phases[0].share.n, review.phases[0].share.counts["count"]) == (1, 1)


def test_third_views_are_said(practice):
    key = practice.trial(1, peak=4)
    practice.second(key)
    practice.second(key, "declined", rater="R3")
    everybody, child = agreement_reviews(practice.read())
    assert child.overall.agreement.value == 1
    words = "Further second views of a trial, beyond the first, that are not used: 1."
    assert child.cautions == everybody.cautions == (words,)


def test_views_of_no_trial_are_said_even_in_tables_nobody_checked(practice):
    for day in (1, 2):
        practice.second(practice.trial(day, peak=4))
    caseload = practice.read()
    observations = caseload.tables["observations"]
    tables = {**caseload.tables, "observations": observations.where(np.array([True, False]))}
    unchecked = TableSet(tables, caseload.practice, caseload.report)
    words = "Second views that belong to no recorded trial, and are not used: 1."
    assert agreement_reviews(unchecked)[1].cautions == (words,)


def test_a_view_without_step_belongs_to_the_only_step_of_that_trial(practice):
    practice.second(practice.trial(1, peak=4).rsplit(",", 1)[0] + ",")
    assert agreement_reviews(practice.read())[1].phases[0].share.value == 1


def test_only_the_kinds_asked_for(practice):
    practice.second(practice.trial(1, peak=4))
    practice.second(practice.trial(2, peak=4, kind="practice", step=2))
    practice.trial(3, peak=4, kind="practice", step=2)
    caseload = practice.read()
    assert agreement_reviews(caseload)[1].phases[0].share.n == 1
    assert agreement_reviews(caseload)[1].cautions == ()
    both = agreement_reviews(caseload, kinds=("probe", "practice"))[1].phases[0].share
    assert (both.n, both.counts["count"]) == (3, 2)


def test_a_child_s_own_rating_has_no_second_rater(practice):
    practice.second(practice.trial(1, peak=4), peak=5)
    practice.trial(2, peak=4, by="parent")
    review = agreement_reviews(practice.read(), variable="fear_peak")[1]
    assert review.verdict == "not applicable"
    assert review.reasons == (
        "Peak fear was rated by the child or parent; what a person feels has no second rater.",
    )
    assert review.phases == ()


def test_who_rated_must_be_known(practice):
    practice.second(practice.trial(1, peak=4, by=""), peak=5)
    review = agreement_reviews(practice.read(), variable="fear_peak")[1]
    assert (review.verdict, review.reasons) == ("cannot be said", ("Who rated peak fear is not recorded.",))


def test_observers_fear_ratings_are_compared_on_the_declared_scale(practice):
    rng = np.random.default_rng(3)
    first = rng.integers(0, 11, 20)
    second = np.clip(first + rng.choice([-2, -1, 0, 0, 1], 20), 0, 10)
    for day, (one, two) in enumerate(zip(first, second, strict=True)):
        practice.second(practice.trial(day, peak=one, by="observer", rater="R1"), peak=two)
    practice.trial(20, "declined", by="observer", rater="R1")  # no peak, so nothing to compare
    practice.trial(21, peak=3, by="child")
    review = agreement_reviews(practice.read(), variable="fear_peak")[1]
    assert sum(one.share.n for one in review.phases) == 20
    assert review.overall.agreement.value == np.mean(first == second)
    assert review.overall.within_one.value == np.mean(abs(first - second) <= 1)
    assert review.overall.weighted_kappa.value == kappa(first, second, "quadratic", range(11)).value
    assert review.overall.icc.value == icc(np.column_stack([first, second]), "1,1").value
    assert review.overall.icc.value > 0.8 * stats.pearsonr(first, second)[0]


def test_frame_holds_phases_and_total(practice):
    _ten_and_ten(practice, 2, 4, disagree=1)
    frame = agreement_frame(agreement_reviews(practice.read()))
    assert frame["child_id"].tolist() == ["all children"] * 3 + ["C1"] * 3
    assert frame["trials"].tolist() == [10, 10, 20] * 2
    assert frame["seen_twice"].tolist() == [2, 4, 6] * 2
    assert frame["agreement"].tolist() == pytest.approx([1 / 2, 1, 5 / 6] * 2)
    assert frame["verdict"].tolist() == ["", "", "meets"] * 2


def test_every_statistic_stands_by_phase_with_the_reason_where_it_does_not(practice):
    pairs = [(2, 2), (5, 6), (8, 8), (3, 5), (7, 7), (1, 1), (9, 9), (4, 3)]
    for day, (one, two) in enumerate(pairs):
        practice.second(practice.trial(day, peak=one, by="observer", rater="R1"), peak=two)
    practice.trial(21, peak=6, by="observer", rater="R1")
    reviews = agreement_reviews(practice.read(), variable="fear_peak", each_child=False)
    frame = agreement_frame(reviews).set_index("phase")
    (review,) = reviews
    for one in (*review.phases, review.overall):
        row = frame.loc[one.phase]
        for name, estimate in (("agreement", one.agreement), ("within_one", one.within_one),
                               ("kappa", one.kappa), ("weighted_kappa", one.weighted_kappa),
                               ("icc", one.icc)):  # fmt: skip
            value = math.nan if estimate is None else estimate.value
            assert row[name] == pytest.approx(value, nan_ok=True)
    overall = frame.loc["all phases"]
    first, second = np.array(pairs).T
    assert overall["agreement"] == np.mean(first == second)
    assert overall["within_one"] == np.mean(abs(first - second) <= 1)
    assert overall["weighted_kappa"] == kappa(first, second, "quadratic", range(11)).value
    assert overall["icc"] == icc(np.array(pairs), "1,1").value
    assert overall["icc_form"] == "ICC(1,1)"
    outcomes = agreement_frame(agreement_reviews(practice.read(), each_child=False))
    assert (outcomes["why_missing"].str.contains("Outcomes have no distance")).all()
    gaps = frame[frame["seen_twice"] == 0]
    assert gaps["why_missing"].str.contains("No trial was seen by a second observer").all()


def test_phases_come_from_the_table_of_starts(practice):
    for day in (0, 10, 12):
        practice.trial(day, peak=1)
    practice.trial(12, peak=1, ladder="dinghy")
    practice.tables["phases"].append("C1,dinghy,2026-01-20,exposure")
    caseload = practice.read()
    assert phase_on(caseload, caseload.tables["observations"]).tolist() == [
        "baseline", "exposure", "exposure", "baseline",
    ]  # fmt: skip
    (practice.folder / "phases.csv").unlink()
    unsaid = practice.read(without=("phases",))
    assert phase_on(unsaid, unsaid.tables["observations"]).tolist() == [None] * 4
    assert agreement_reviews(unsaid)[0].phases[0].phase == "not recorded"


def test_trials_not_recorded(tmp_path):
    (tmp_path / "ratings.csv").write_text("child_id,date,phase,rating\nC1,2026-01-01,baseline,4\n")
    caseload = read_caseload(tmp_path)
    assert agreement_reviews(caseload) == ()
    with pytest.raises(ValueError, match="variable must be one of 'outcome', 'fear_peak'; got 'fear'"):
        agreement_reviews(caseload, variable="fear")
    with pytest.raises(ValueError, match="kinds must be one of 'probe', 'approach', 'practice'"):
        agreement_reviews(caseload, kinds=("play",))
