"""Pair counts: hand-counted cases, a slow twin, and big ragged batches."""

import gc
import threading

import numpy as np
import pytest
from cases import CASES
from hypothesis import given, settings
from hypothesis import strategies as st
from rungwise.series.batch import SeriesBatch
from rungwise.single_case import pairs as module
from rungwise.single_case.pairs import code_counts, pair_counts


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_hand_counted_cases(case):
    counts = pair_counts(SeriesBatch.of(case.series))
    assert (counts.ab.concordant[0], counts.ab.discordant[0]) == (case.better, case.worse)
    assert counts.ab.pairs[0] == case.n_a * case.n_b
    assert counts.aa.s[0] == case.s_a
    assert counts.bb.s[0] == case.s_b
    assert counts.whole.s[0] == case.better - case.worse + case.s_a + case.s_b


def test_all_cases_together_count_as_each_alone():
    together = pair_counts(SeriesBatch.of(*(case.series for case in CASES)))
    assert together.ab.concordant.tolist() == [case.better for case in CASES]
    assert together.ab.discordant.tolist() == [case.worse for case in CASES]
    assert together.aa.s.tolist() == [case.s_a for case in CASES]
    assert together.bb.s.tolist() == [case.s_b for case in CASES]


def slow_pairs(values, times, in_a, sign, declined):
    """Count every pair in two loops: better, worse and same-time pairs of each kind."""
    found = {kind: [0, 0, 0] for kind in ("ab", "aa", "bb")}
    merit = [-1e9 if gone else sign * value for value, gone in zip(values, declined, strict=True)]
    for i in range(len(merit)):
        for j in range(i + 1, len(merit)):
            kind = ("aa" if in_a[j] else "ab") if in_a[i] else "bb"
            if kind != "ab" and times[i] == times[j]:
                found[kind][2] += 1
                continue
            found[kind][0] += merit[j] > merit[i]
            found[kind][1] += merit[j] < merit[i]
    return found


@st.composite
def ragged(draw):
    rows = []
    for _ in range(draw(st.integers(1, 6))):
        n_a, n_b = draw(st.integers(0, 6)), draw(st.integers(0, 6))
        n = n_a + n_b
        step = draw(st.sampled_from([1, 0.25]))
        values = [step * value for value in draw(st.lists(st.integers(0, 6), min_size=n, max_size=n))]
        times = sorted(draw(st.lists(st.integers(0, 6), min_size=n_a, max_size=n_a)))
        times += sorted(draw(st.lists(st.integers(6, 12), min_size=n_b, max_size=n_b)))
        declined = draw(st.lists(st.booleans(), min_size=n, max_size=n))
        rows.append((values, times, n_a, draw(st.sampled_from([-1.0, 1.0])), declined))
    return rows


def as_batch(rows):
    return SeriesBatch.from_flat(
        np.array([value for row in rows for value in row[0]], dtype=float),
        np.cumsum([0] + [len(row[0]) for row in rows]),
        np.array([row[2] for row in rows]),
        sign=np.array([row[3] for row in rows]),
        declined=np.array([gone for row in rows for gone in row[4]], dtype=bool),
        times=np.array([time for row in rows for time in row[1]], dtype=float),
    )


@settings(max_examples=150)
@given(ragged())
def test_ragged_batches_equal_the_slow_twin(rows):
    counts = pair_counts(as_batch(rows))
    for r, (values, times, n_a, sign, declined) in enumerate(rows):
        in_a = [i < n_a for i in range(len(values))]
        for kind, (better, worse, same) in slow_pairs(values, times, in_a, sign, declined).items():
            pairs = getattr(counts, kind)
            assert (pairs.concordant[r], pairs.discordant[r], pairs.same_time[r]) == (better, worse, same)


@pytest.mark.parametrize("chunk", [1, 7, 64, 8192])
def test_chunks_change_nothing(monkeypatch, chunk):
    rng = np.random.default_rng(5)
    lengths = rng.integers(0, 30, 300)
    n_a = np.array([rng.integers(0, n + 1) for n in lengths])
    offsets = np.concatenate([[0], np.cumsum(lengths)])
    batch = SeriesBatch.from_flat(rng.integers(0, 11, offsets[-1]), offsets, n_a)
    expected = pair_counts(batch)
    monkeypatch.setattr(module, "CHUNK", chunk)
    again = module.PairCounts(batch)
    for kind in ("ab", "aa", "bb"):
        assert np.array_equal(getattr(again, kind).concordant, getattr(expected, kind).concordant)
        assert np.array_equal(getattr(again, kind).discordant, getattr(expected, kind).discordant)
    assert np.array_equal(again.ties, expected.ties)
    assert np.array_equal(again.ties_a, expected.ties_a)


@pytest.mark.parametrize("layout", ["C", "F"])
@pytest.mark.parametrize("n_b", [1, 20])
def test_storage_order_changes_nothing(layout, n_b):
    rng = np.random.default_rng(6)
    values = rng.integers(0, 11, (50, 8 + n_b)).astype(np.int8)
    counts = pair_counts(SeriesBatch.from_arrays(np.array(values, order=layout), 8))
    difference = np.sign(values[:, :8, None].astype(int) - values[:, None, 8:])
    assert np.array_equal(counts.ab.s, difference.sum(axis=(1, 2)))


def test_phases_longer_than_a_byte_can_count():
    rng = np.random.default_rng(7)
    values = rng.integers(0, 4, (3, 900)).astype(np.int8)
    counts = pair_counts(SeriesBatch.from_arrays(values, 300, better="higher"))
    a, b = values[:, :300].astype(int), values[:, 300:].astype(int)
    assert np.array_equal(counts.ab.concordant, (b[:, None, :] > a[:, :, None]).sum(axis=(1, 2)))
    later = np.triu(np.ones((600, 600), dtype=bool), 1)
    assert np.array_equal(counts.bb.concordant, ((b[:, None, :] > b[:, :, None]) & later).sum(axis=(1, 2)))
    assert np.array_equal(counts.ties.sum(axis=1), [900, 900, 900])


def test_tie_sizes_run_from_worst_to_best():
    batch = as_batch([([7, 8, 7, 3, 5], [0, 1, 2, 6, 7], 3, -1.0, [False, False, False, False, True])])
    counts = pair_counts(batch)
    # Declined, 8, 7, 7, 3 from worst to best.
    assert counts.ties[0][counts.ties[0] > 0].tolist() == [1, 1, 2, 1]
    assert counts.ties_a[0].sum() == 3


def test_counts_of_no_series_and_of_empty_series():
    assert pair_counts(SeriesBatch.of()).ab.s.tolist() == []
    assert code_counts(np.zeros((2, 0), dtype=np.int8), np.zeros(2, dtype=int)).shape == (2, 0)


def test_counts_are_shared_and_do_not_keep_the_batch_alive():
    batch = as_batch([([1, 2, 3], [0, 1, 7], 2, 1.0, [False] * 3)])
    assert pair_counts(batch) is pair_counts(batch)
    known = len(module._KNOWN)
    del batch
    gc.collect()
    assert len(module._KNOWN) == known - 1


def test_exact_p_is_computed_once_per_alternative():
    counts = pair_counts(as_batch([([5, 4, 2, 1], [0, 1, 7, 8], 2, -1.0, [False] * 4)]))
    assert counts.exact_p("two-sided") is counts.exact_p("two-sided")
    assert counts.exact_p("two-sided")[0][0] == pytest.approx(2 / 6)
    assert counts.exact_p("improvement")[0][0] == pytest.approx(1 / 6)


def test_threads_do_not_mix_their_counts():
    rng = np.random.default_rng(8)
    batches = [
        SeriesBatch.from_arrays(rng.integers(0, 11, (20_000, 28)).astype(np.int8), 8) for _ in range(4)
    ]
    expected = [module.PairCounts(batch).whole.s for batch in batches]
    found = [None] * len(batches)

    def work(i):
        for _ in range(3):
            found[i] = module.PairCounts(batches[i]).whole.s

    threads = [threading.Thread(target=work, args=(i,)) for i in range(len(batches))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    for ours, right in zip(found, expected, strict=True):
        assert np.array_equal(ours, right)
