import numpy as np
import pytest
from rungwise.ladders.habituation import habituation_between, habituation_within


def test_within_an_occasion(records):
    records.trial(0, 1, 8, end=5)
    records.trial(0, 1, 6, end=5, number=2)
    records.trial(0, 2, 7, number=3)  # no end, so not part of the mean
    records.trial(0, 2, 9, end=9, number=4, kind="approach")
    frame = habituation_within(records.read()).set_index("kind")
    assert frame.loc["practice", ["trials", "mean_peak", "mean_end", "mean_fall"]].tolist() == [2, 7, 5, 2]
    assert frame.loc["approach", "mean_fall"] == 0


def test_between_occasions_of_one_step(records):
    for day, peaks in ((0, [8, 3]), (2, [6, 2]), (5, ["declined"]), (6, [7]), (9, [4])):
        for number, peak in enumerate(peaks, start=1):
            records.trial(day, 1, peak, number=number)
    records.trial(3, 2, 9)
    records.trial(4, 1, 0, kind="probe")
    frame = habituation_between(records.read())
    assert len(frame) == 1  # step 2 was practiced on one day
    row = frame.iloc[0]
    assert (row["step"], row["occasions"], row["declined_first"]) == (1, 5, 1)
    assert (row["first_peak"], row["last_peak"]) == (8, 4)
    assert row["mean_change"] == pytest.approx(np.mean([-2, 1, -3]))


def test_a_step_never_rated(records):
    for day in range(3):
        records.trial(day, 1, "declined")
    row = habituation_between(records.read()).iloc[0]
    assert row["declined_first"] == 3
    assert np.isnan(row["mean_change"])
    assert np.isnan(row["first_peak"])
    assert habituation_within(records.read()).empty


def test_only_one_child(records):
    records.trial(0, 1, 8, end=5)
    records.trial(0, 1, 8, end=5, child="C2")
    assert habituation_within(records.read(), child_id="C2")["child_id"].tolist() == ["C2"]


def test_not_recorded(tmp_path):
    from rungwise.series.caseload import read_caseload

    (tmp_path / "ratings.csv").write_text("child_id,date,phase,rating\nC1,2026-01-01,baseline,4\n")
    assert habituation_within(read_caseload(tmp_path)).empty
    assert habituation_between(read_caseload(tmp_path)).empty
