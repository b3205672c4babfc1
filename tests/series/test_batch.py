"""Padded batches: the three ways to build one agree, keep order and ties, and refuse what cannot be."""

import pickle

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rungwise.series.batch import ABSENT, SeriesBatch, order_codes
from rungwise.series.phase_series import PhaseSeries


def flat(values, lengths, n_a, **options):
    return SeriesBatch.from_flat(
        np.asarray(values, dtype=float), np.cumsum([0, *lengths]), np.asarray(n_a), **options
    )


def same(one, other):
    for name in ("values", "times", "declined", "n_a", "n_b", "n_missing", "sign", "floor", "ceiling"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name), err_msg=name)
    assert (one.labels, one.unit, one.phases) == (other.labels, other.unit, other.phases)
    assert orders(one) == orders(other)


def orders(batch):
    """Dense ranks of the codes of each series: what codes mean, whatever numbers they are."""
    found = []
    for row, used in zip(batch.codes, batch.used, strict=True):
        codes = row[used]
        assert (codes >= 0).all()
        assert (row[~used] == ABSENT).all()
        found.append(np.unique(codes, return_inverse=True)[1].tolist())
    return found


class TestOf:
    def test_phases_stand_side_by_side_in_time_order(self):
        series = PhaseSeries(
            [3, 8, 7, 5], ["exposure", "baseline", "baseline", "exposure"], times=[9, 2, 1, 4], label="x"
        )
        batch = SeriesBatch.of(series)
        assert batch.values.tolist() == [[7, 8, 5, 3]]
        assert batch.times.tolist() == [[1, 2, 4, 9]]
        assert (batch.n_a.tolist(), batch.n_b.tolist()) == ([2], [2])
        assert batch.labels == ("x",)

    def test_missing_left_out_and_counted_only_in_the_phases_taken(self):
        series = PhaseSeries(
            [7, None, 5, None, None],
            ["baseline", "baseline", "exposure", "exposure", "maintenance"],
        )
        batch = SeriesBatch.of(series)
        assert batch.n_missing.tolist() == [2]
        assert (batch.n_a.tolist(), batch.n_b.tolist()) == ([1], [1])

    def test_other_phases(self):
        series = PhaseSeries([7, 8, 5, 2, 1], ["baseline"] * 2 + ["exposure"] + ["maintenance"] * 2)
        batch = SeriesBatch.of(series, phases=("baseline", "maintenance"))
        assert batch.values.tolist() == [[7, 8, 2, 1]]
        assert batch.phases == ("baseline", "maintenance")

    def test_declines_rank_below_every_rating(self):
        series = PhaseSeries.from_phases([10, None], [9, 10], declined=[False, True, False, False])
        batch = SeriesBatch.of(series)
        assert orders(batch) == [[1, 0, 2, 1]]
        assert np.isnan(batch.values[0, 1])

    def test_ends_of_the_scale_and_direction(self):
        up = PhaseSeries.from_phases([1], [2], better="higher", floor=0, ceiling=4)
        down = PhaseSeries.from_phases([1], [2])
        batch = SeriesBatch.of(up, down)
        assert batch.sign.tolist() == [1, -1]
        np.testing.assert_array_equal(batch.floor, [0, np.nan])
        np.testing.assert_array_equal(batch.ceiling, [4, np.nan])
        assert orders(batch) == [[0, 1], [1, 0]]

    def test_no_series(self):
        batch = SeriesBatch.of()
        assert len(batch) == 0
        assert batch.codes.shape == (0, 0)

    def test_units_are_not_mixed(self):
        points = PhaseSeries.from_phases([1], [2])
        seconds = PhaseSeries.from_phases([1], [2], unit="seconds")
        with pytest.raises(ValueError, match="series must share one unit; got points, seconds"):
            SeriesBatch.of(points, seconds)


@st.composite
def several(draw):
    found = []
    for _ in range(draw(st.integers(1, 5))):
        n_a, n_b = draw(st.integers(0, 5)), draw(st.integers(0, 5))
        n = n_a + n_b
        rating = st.one_of(st.none(), st.integers(0, 10), st.sampled_from([0.5, 2.25, 7.1]))
        found.append(
            PhaseSeries(
                draw(st.lists(rating, min_size=n, max_size=n)),
                ["baseline"] * n_a + ["exposure"] * n_b,
                np.cumsum(draw(st.lists(st.integers(0, 3), min_size=n, max_size=n))),
                draw(st.lists(st.booleans(), min_size=n, max_size=n)),
                draw(st.sampled_from(["lower", "higher"])),
            )
        )
    return found


@settings(max_examples=150)
@given(several())
def test_codes_keep_the_order_and_ties_of_every_series(found):
    batch = SeriesBatch.of(*found)
    for r, series in enumerate(found):
        usable = series.usable
        sign = 1 if series.better == "higher" else -1
        merit = np.where(series.declined, -np.inf, sign * series.values)[usable]
        codes = batch.codes[r, : len(merit)].astype(int)
        assert np.array_equal(np.sign(codes[:, None] - codes), np.sign(np.searchsorted(
            np.unique(merit), merit)[:, None] - np.searchsorted(np.unique(merit), merit)))  # fmt: skip


@settings(max_examples=100)
@given(several())
def test_flat_columns_give_the_same_batch(found):
    batch = SeriesBatch.of(*found)
    rebuilt = SeriesBatch.from_flat(
        np.concatenate([series.values for series in found]),
        np.cumsum([0] + [len(series) for series in found]),
        np.array([np.sum(series.phases == "baseline") for series in found]),
        sign=np.array([1.0 if series.better == "higher" else -1.0 for series in found]),
        declined=np.concatenate([series.declined for series in found]),
        times=np.concatenate([series.times for series in found]),
        labels=("",) * len(found),
    )
    same(batch, rebuilt)


@settings(max_examples=100)
@given(several())
def test_without_declines_is_declines_made_missing(found):
    stripped = [
        PhaseSeries(series.values, series.phases, series.times, None, series.better) for series in found
    ]
    same(SeriesBatch.of(*found).without_declines(), SeriesBatch.of(*stripped))


class TestFromFlat:
    def test_default_times_count_missing_occasions(self):
        batch = flat([7, np.nan, 5, 4], [4], [2])
        assert batch.times.tolist() == [[1, 3, 4]]

    def test_whole_numbers_of_any_kind(self):
        for kind in (np.int8, np.uint8, np.int64, np.float32):
            batch = SeriesBatch.from_flat(np.array([7, 8, 2], dtype=kind), np.array([0, 3]), np.array([2]))
            assert orders(batch) == [[1, 0, 2]]

    def test_wide_scales_and_decimals_still_fit_small_codes(self):
        batch = flat([0, 1000, 2.5, -7], [4], [2])
        assert batch.codes.dtype == np.int8
        assert orders(batch) == [[2, 0, 1, 3]]

    def test_more_different_values_than_a_byte_holds(self):
        values = np.random.default_rng(1).normal(size=400)
        batch = flat(values, [400], [100], sign=1.0)
        assert orders(batch) == [np.argsort(np.argsort(values)).tolist()]

    def test_a_rating_beside_a_decline_is_not_used(self):
        batch = flat([7, 1, 5], [3], [2], declined=np.array([False, True, False]))
        assert np.isnan(batch.values[0, 1])
        assert orders(batch) == [[1, 0, 2]]

    def test_only_declines(self):
        batch = flat([np.nan, np.nan], [2], [1], declined=np.array([True, True]))
        assert orders(batch) == [[0, 0]]

    @pytest.mark.parametrize(
        ("change", "message"),
        [
            ({"offsets": [0, 2, 5]}, r"offsets must rise from 0 to the number of values \(4\)"),
            ({"offsets": [0, 3, 2, 4]}, "offsets must rise"),
            ({"offsets": [1, 2, 4]}, "offsets must rise"),
            ({"n_a": [3, 1]}, "n_a must give, for each series, a number between 0 and its length"),
            ({"n_a": [-1, 1]}, "n_a must give"),
            ({"n_a": [1]}, "n_a must give"),
            ({"sign": 0.5}, r"sign must be -1 \(lower is better\) or 1"),
            ({"declined": np.array([True])}, r"declined must be one entry per value \(4\); got 1"),
            ({"times": np.array([1.0, 2, 3])}, r"times must be one entry per value \(4\); got 3"),
            ({"times": np.array([1, 2, np.nan, 4])}, "times must not be missing; series 2 has"),
            ({"times": np.array([5.0, 2, 1, 4]), "n_a": [2, 1]}, "series 1 goes from 5 to 2"),
            ({"times": np.array([1.0, 2, 9, 4]), "n_a": [1, 0]}, "series 2 goes from 9 to 4"),
        ],
    )
    def test_refusals(self, change, message):
        call = {"offsets": [0, 2, 4], "n_a": [1, 1]} | change
        offsets, n_a = np.array(call.pop("offsets")), np.array(call.pop("n_a"))
        with pytest.raises(ValueError, match=message):
            SeriesBatch.from_flat(np.array([7.0, 5, 6, 2]), offsets, n_a, **call)

    def test_time_may_start_again_in_the_next_phase_and_series(self):
        batch = flat([7, 5, 6, 2], [2, 2], [1, 1], times=np.array([9.0, 1, 8, 2]))
        assert batch.times.tolist() == [[9, 1], [8, 2]]

    def test_a_million_values_equal_a_slow_twin(self):
        rng = np.random.default_rng(2)
        lengths = rng.integers(0, 40, 50_000)
        offsets = np.concatenate([[0], np.cumsum(lengths)])
        values = rng.integers(0, 11, offsets[-1]).astype(float)
        values[rng.random(len(values)) < 0.1] = np.nan
        n_a = (lengths * rng.random(len(lengths))).astype(int)
        batch = SeriesBatch.from_flat(values, offsets, n_a)
        for r in rng.integers(0, len(lengths), 200):
            own = values[offsets[r] : offsets[r + 1]]
            rated = ~np.isnan(own)
            n = batch.n_a[r] + batch.n_b[r]
            assert batch.values[r, :n].tolist() == own[rated].tolist()
            assert batch.n_a[r] == rated[: n_a[r]].sum()
            assert batch.n_missing[r] == (~rated).sum()
            assert batch.times[r, :n].tolist() == (np.flatnonzero(rated) + 1).tolist()


class TestFromArrays:
    @pytest.mark.parametrize("better", ["lower", "higher"])
    @pytest.mark.parametrize("kind", [np.int8, np.uint8, np.int32, float])
    def test_equals_series_one_by_one(self, better, kind):
        values = np.random.default_rng(3).integers(0, 11, (20, 9)).astype(kind)
        ours = SeriesBatch.from_arrays(values, 4, better=better)
        one_by_one = SeriesBatch.of(
            *(PhaseSeries.from_phases(row[:4], row[4:], better=better) for row in values.tolist())
        )
        assert orders(ours) == orders(one_by_one)
        np.testing.assert_array_equal(ours.values, one_by_one.values)
        np.testing.assert_array_equal(ours.times, one_by_one.times)
        assert ours.sign.tolist() == one_by_one.sign.tolist()

    def test_the_smallest_int8_does_not_overflow(self):
        batch = SeriesBatch.from_arrays(np.array([[-128, 127, 0]], dtype=np.int8), 1)
        assert orders(batch) == [[2, 0, 1]]

    def test_declines(self):
        batch = SeriesBatch.from_arrays(np.array([[7, 8, 5]]), 2, declined=np.array([[False, False, True]]))
        assert orders(batch) == [[2, 1, 0]]
        assert np.isnan(batch.values[0, 2])

    @pytest.mark.parametrize(
        ("values", "n_baseline", "options", "message"),
        [
            (np.zeros(3), 1, {}, "values must have two dimensions"),
            (np.zeros((2, 3)), 3, {}, "n_baseline must be between 1 and 2; got 3"),
            (np.zeros((2, 3)), 0, {}, "n_baseline must be between 1 and 2; got 0"),
            (np.array([[1, np.nan, 2]]), 1, {}, "values must be complete; 1 entries are missing"),
            (
                np.zeros((1, 3)),
                1,
                {"better": "less"},
                "better must be one of 'lower', 'higher'; got 'less'",
            ),
            (
                np.zeros((1, 3)),
                1,
                {"declined": np.zeros((1, 2), dtype=bool)},
                "declined must have the shape",
            ),
        ],
    )
    def test_refusals(self, values, n_baseline, options, message):
        with pytest.raises(ValueError, match=message):
            SeriesBatch.from_arrays(values, n_baseline, **options)


class TestTake:
    def test_in_the_order_asked(self):
        batch = SeriesBatch.of(*(PhaseSeries.from_phases([k, k], [k, 1], label=str(k)) for k in range(4)))
        picked = batch.take([3, 1])
        assert picked.labels == ("3", "1")
        assert picked.values[:, 0].tolist() == [3, 1]

    def test_by_mask(self):
        batch = flat([1, 2, 3, 4], [2, 2], [1, 1])
        assert batch.take(np.array([False, True])).values.tolist() == [[3, 4]]


def test_codes_of_declines_in_one_series_leave_the_others_alone():
    values = np.array([[3.0, 4.0], [5.0, np.nan]])
    declined = np.array([[False, False], [False, True]])
    codes = order_codes(values, declined, np.array([2, 2]), np.array([1.0, 1.0]))
    assert codes[0, 0] < codes[0, 1]
    assert codes[1].tolist() == [3, 0]


def test_a_batch_survives_pickling():
    batch = SeriesBatch.of(PhaseSeries.from_phases([7, None, 8], [5, 3]))
    same(pickle.loads(pickle.dumps(batch)), batch)


def test_ratings_that_differ_only_by_rounding_are_equal():
    rounded = SeriesBatch.of(PhaseSeries.from_phases([0.3, 0.3, 7.2], [0.1 + 0.2, (7.1 + 7.3) / 2, 0.31]))
    assert rounded.codes[0, 0] == rounded.codes[0, 3]
    assert rounded.codes[0, 2] == rounded.codes[0, 4]
    assert rounded.codes[0, 5] != rounded.codes[0, 3]


class TestWhatIsNoSeries:
    S = PhaseSeries.from_phases([7, 8, 7, 8, 7, 8], [6, 5, 4, 3, 2, 1, 2, 1])

    @pytest.mark.parametrize(
        ("came", "message"),
        [
            ([S, S], r"series must be a PhaseSeries; got 2 in one list: .*SeriesBatch\.of\(\*series\)\."),
            ((S,), r"series must be a PhaseSeries; got 1 in one tuple: .*SeriesBatch\.of\(\*series\)\."),
            (
                [7, 8, 5],
                r"series must be a PhaseSeries; got a list of other things; see PhaseSeries\.from_phases",
            ),
            ("x", r"series must be a PhaseSeries; got 'x'"),
            (None, r"series must be a PhaseSeries; got None"),
        ],
    )
    def test_a_batch_is_made_of_series_alone(self, came, message):
        with pytest.raises(ValueError, match=message):
            SeriesBatch.of(came)
        with pytest.raises(ValueError, match=message):
            SeriesBatch.of(self.S, came)
