"""Blocks follow from the codes of the children alone."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rungwise.series.blocks import TOGETHER, block_bits, blocks, hashed, hashed_bytes, prefix

CODES = st.lists(st.from_regex(r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}", fullmatch=True), min_size=1, max_size=30)


@given(CODES)
@settings(max_examples=60)
def test_a_hash_does_not_depend_on_company_case_or_width(codes):
    together = hashed(codes)
    assert together.tolist() == [int(hashed([code])[0]) for code in codes]
    assert together.tolist() == hashed([code.upper() for code in codes]).tolist()
    wide = np.zeros((len(codes), 48), dtype=np.uint8)
    for row, code in enumerate(codes):
        letters = code.lower().encode()
        wide[row, : len(letters)] = list(letters)
    lengths = np.array([len(code) for code in codes])
    assert together.tolist() == hashed_bytes(wide, lengths).tolist()


def test_codes_that_differ_little_spread_evenly():
    hashes = hashed([f"C{number:06d}" for number in range(20000)])
    assert len(np.unique(hashes)) == 20000
    counts = np.bincount(prefix(hashes, 6), minlength=64)
    # 312.5 expected in each: a chi-square of 63 degrees of freedom beyond 115 has a probability of 1e-4.
    assert ((counts - 312.5) ** 2 / 312.5).sum() < 115


def test_blocks_hold_every_series_once_and_whole_children():
    children = [f"C{number // 2:04d}" for number in range(2000)]
    bits = block_bits(1000)
    made = [*blocks(children, bits)]
    assert bits == 3
    assert sorted(np.concatenate(made).tolist()) == [*range(2000)]
    homes = {}
    for number, places in enumerate(made):
        assert (np.diff(places) > 0).all()
        for place in places.tolist():
            assert homes.setdefault(children[place], number) == number


def test_parts_made_by_a_shorter_prefix_hold_whole_blocks():
    children = [f"C{number:04d}" for number in range(1000)]
    whole = [[children[i] for i in places] for places in blocks(children, 4)]
    part = prefix(hashed(children), 2)
    apart = []
    for number in range(4):
        here = [child for child, where in zip(children, part, strict=True) if where == number]
        apart += [[here[i] for i in places] for places in blocks(here, 4)]
    assert whole == apart


@pytest.mark.parametrize(("children", "bits"), [(0, 0), (TOGETHER, 0), (TOGETHER + 1, 1), (10**6, 13)])
def test_small_caseloads_are_one_block(children, bits):
    assert block_bits(children) == bits


def test_no_series_make_no_block():
    assert [*blocks([], 3)] == []
