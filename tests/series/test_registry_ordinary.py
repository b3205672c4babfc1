"""What is taken for ordinary is what no rule has anything to say about."""

from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from rungwise.series.registry_ordinary import PLAIN_CODE, _sorted, _spelled
from rungwise.tables.cells import parse
from rungwise.tables.grid import TextColumn
from rungwise.tables.schema import schema, tidy


@given(st.lists(st.from_regex(PLAIN_CODE.replace("$", r"\Z")), min_size=1, max_size=40, unique=True))
@settings(max_examples=200)
def test_no_rule_has_anything_to_say_about_a_plain_code(codes):
    described = schema("ratings")
    column = TextColumn("child_id", "A", np.arange(len(codes), dtype=np.int32), codes)
    parsed = parse(column, described.fields["child_id"], described)
    assert parsed.faults == []
    assert parsed.values.tolist() == codes == [tidy(code) for code in codes]
    _, plain, _ = _spelled(codes)
    assert plain.all()


@given(st.lists(st.text(max_size=8), max_size=30, unique=True))
@settings(max_examples=200)
def test_codes_are_one_child_whatever_their_case(codes):
    _, _, child = _spelled(codes)
    alike = [tidy(code).casefold() for code in codes]
    for i, first in enumerate(alike):
        assert [child[i] == child[j] for j in range(len(codes))] == [first == other for other in alike]


SPANS = st.sampled_from([3, 300, 2**30])


@given(st.data(), SPANS, SPANS, st.integers(1, 60))
@settings(max_examples=200)
def test_packed_keys_sort_as_columns_do(data, most_time, most_trial, n):
    def column(most):
        return np.array(
            data.draw(st.lists(st.integers(-most, most), min_size=n, max_size=n)), dtype=np.int64
        )

    series, time, trial = np.abs(column(4)), column(most_time), column(most_trial)
    order, same, at_once, again = _sorted(series, time, trial)
    rows = list(zip(series.tolist(), time.tolist(), trial.tolist(), range(n), strict=True))
    assert order.tolist() == [row[3] for row in sorted(rows)]
    ordered = sorted(rows)
    for width, found in ((1, same), (2, at_once), (3, again)):
        expected = [one[:width] == two[:width] for one, two in pairwise(ordered)]
        assert found.tolist() == expected
