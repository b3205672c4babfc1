"""One child's series: order, missing, declines, phases, and refusals that say what to put right."""

import pickle

import numpy as np
import pytest
from rungwise.series.phase_series import PhaseSeries


def test_rows_are_put_in_time_order_all_columns_together():
    series = PhaseSeries(
        [3, None, 7, 8],
        ["exposure", "exposure", "baseline", "baseline"],
        times=[9, 4, 2, 1],
        declined=[False, True, False, False],
    )
    np.testing.assert_array_equal(series.values, [8, 7, np.nan, 3])
    assert series.phases.tolist() == ["baseline", "baseline", "exposure", "exposure"]
    assert series.times.tolist() == [1, 2, 4, 9]
    assert series.declined.tolist() == [False, False, True, False]


def test_equal_times_keep_the_order_given():
    series = PhaseSeries([3, 1, 2], ["baseline"] * 3, times=[5, 5, 5])
    assert series.values.tolist() == [3, 1, 2]


def test_counts_of_missing_and_declined():
    series = PhaseSeries.from_phases(
        [7, None, 8, None], [5, None, 3], declined=[False, False, False, True, False, True, False]
    )
    assert series.n_missing == 1
    assert (series.n_baseline, series.n_exposure) == (3, 3)
    assert series.usable.tolist() == [True, False, True, True, True, True, True]


def test_a_rating_beside_a_decline_is_not_kept():
    series = PhaseSeries([9, 4], ["baseline", "exposure"], declined=[True, False])
    assert np.isnan(series.values[0])
    assert series.n_missing == 0


def test_phases_cut_out():
    series = PhaseSeries(
        [7, 6, 5, 2, 1], ["baseline", "exposure", "exposure", "maintenance", "follow_up"], label="dinghy",
        better="higher", floor=0, ceiling=9, unit="steps",
    )  # fmt: skip
    part = series.only("exposure", "maintenance")
    assert part.values.tolist() == [6, 5, 2]
    assert part.times.tolist() == [2, 3, 4]
    assert (part.label, part.better, part.floor, part.ceiling, part.unit) == (
        "dinghy",
        "higher",
        0,
        9,
        "steps",
    )
    assert series.of("follow_up").tolist() == [1]
    assert series.where(series.times > 3).values.tolist() == [2, 1]


def test_columns_cannot_be_changed_behind_its_back():
    given = np.array([7.0, 5.0])
    series = PhaseSeries(given, ["baseline", "exposure"])
    given[0] = 1
    assert series.values[0] == 7
    with pytest.raises(ValueError, match="read-only"):
        series.values[0] = 1


def test_an_empty_series_is_a_series():
    series = PhaseSeries([], [])
    assert (len(series), series.n_baseline, series.n_missing) == (0, 0, 0)


def test_numbers_as_text_are_numbers_and_none_is_missing():
    series = PhaseSeries(["7", None], ["baseline", "exposure"])
    assert series.values[0] == 7
    assert series.n_missing == 1


def test_how_it_prints():
    series = PhaseSeries.from_phases([7, 8], [5], label="gangway")
    assert repr(series) == "PhaseSeries(gangway: 2 baseline, 1 exposure, better='lower')"


def test_survives_pickling():
    series = PhaseSeries.from_phases([7, None], [5], label="gangway")
    again = pickle.loads(pickle.dumps(series))
    np.testing.assert_array_equal(again.values, series.values)
    assert again.label == "gangway"


@pytest.mark.parametrize(
    ("call", "message"),
    [
        ({"values": ["much", 3]}, "values must be numbers, or None where missing; entry 1 is 'much'."),
        ({"values": [3, float("inf")]}, "values must be finite; entry 2 is inf."),
        ({"values": [[1, 2], [3, 4]]}, "values must be one row of numbers; got 2 dimensions."),
        ({"phases": ["baseline"]}, "phases must be one entry per value (2); got 1."),
        (
            {"phases": ["baseline", "therapy"]},
            "phases must be one of 'baseline', 'exposure', 'maintenance', 'follow_up'; got 'therapy'.",
        ),
        ({"times": [1]}, "times must be one entry per value (2); got 1."),
        ({"times": [1, None]}, "times must not be missing; entry 2 is."),
        ({"declined": [True]}, "declined must be one entry per value (2); got 1."),
        ({"better": "down"}, "better must be one of 'lower', 'higher'; got 'down'."),
    ],
)
def test_refusals_say_what_is_allowed_and_what_came(call, message):
    with pytest.raises(ValueError) as refusal:
        PhaseSeries(**({"values": [7, 5], "phases": ["baseline", "exposure"]} | call))
    assert str(refusal.value) == message


def test_unknown_phase_in_a_question():
    series = PhaseSeries.from_phases([1], [2])
    with pytest.raises(ValueError, match="phase must be one of"):
        series.of("treatment")
    with pytest.raises(ValueError, match="phases must be one of"):
        series.only("treatment")


@pytest.mark.parametrize("entry", [np.nan, None, "no", "False", 2])
def test_a_decline_is_yes_or_no_and_nothing_else(entry):
    with pytest.raises(ValueError, match=r"^declined must be True or False; entry 2 is "):
        PhaseSeries([7, 8, 5], ["baseline", "baseline", "exposure"], declined=[False, entry, True])


@pytest.mark.parametrize(
    ("ends", "message"),
    [
        ({"floor": 10, "ceiling": 0}, r"^floor must be below ceiling; got 10 and 0\.$"),
        ({"floor": "a"}, r"^floor must be a number or None; got 'a'\.$"),
        ({"floor": 0, "ceiling": 6}, r"^values must lie on the scale from 0 to 6; got 7\.$"),
    ],
)
def test_a_scale_holds_its_ratings(ends, message):
    with pytest.raises(ValueError, match=message):
        PhaseSeries.from_phases([5, 7], [3], **ends)


def test_entries_are_put_in_time_order_and_keep_theirs_within_one_time():
    series = PhaseSeries([1, 2, 3, 4], ["baseline"] * 2 + ["exposure"] * 2, times=[1, 2, 2, 1])
    assert series.values.tolist() == [1, 4, 2, 3]
    assert series.phases.tolist() == ["baseline", "exposure", "baseline", "exposure"]
