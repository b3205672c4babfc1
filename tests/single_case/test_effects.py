"""The tidy table of several statistics."""

import pytest
import rungwise as rw
from rungwise.basis.estimate import ROW_FIELDS
from rungwise.series.batch import SeriesBatch
from rungwise.single_case.effects import CATALOG, USUAL, effects

SERIES = [
    rw.PhaseSeries.from_phases([7, 8, 7, 8, 6], [6, 5, 4, 4, 3, 2], label="C1", floor=0, ceiling=10),
    rw.PhaseSeries.from_phases([4, 5, None, 4, 6], [6, 7, 7, 8, 6], label="C2", floor=0, ceiling=10),
]


def test_one_row_per_series_and_statistic_in_the_vocabulary():
    table = effects(SeriesBatch.of(*SERIES))
    assert table["series"].tolist() == ["C1"] * 4 + ["C2"] * 4
    assert table["requested"].tolist() == [*USUAL] * 2
    assert set(ROW_FIELDS) <= set(table.columns)


@pytest.mark.parametrize("name", CATALOG)
def test_a_row_of_the_table_is_the_statistic_itself(name):
    table = effects(SeriesBatch.of(*SERIES), [name])
    for row, series in enumerate(SERIES):
        alone = CATALOG[name](SeriesBatch.of(series))[0]
        assert table["value"][row] == pytest.approx(alone.value, nan_ok=True, rel=1e-9)
        assert table["p_value"][row] == pytest.approx(alone.p_value, nan_ok=True, rel=1e-9)
        assert table["method"][row] == alone.method


def test_a_caseload_keeps_its_children_and_ladders(tmp_path):
    rows = ["child_id,ladder_id,date,phase,rating"]
    for child, ladder, ratings in (
        ("C2", "net", (7, 6, 5)),
        ("C1", "swing", (8, 9, 3)),
        ("C1", "net", (4, 4, 4)),
    ):
        rows += [
            f"{child},{ladder},2026-03-0{day},{phase},{rating}"
            for day, (phase, rating) in enumerate(
                zip(("baseline", "baseline", "exposure"), ratings, strict=True), start=1
            )
        ]
    (tmp_path / "ratings.csv").write_text("\n".join(rows), encoding="utf-8")
    table = effects(rw.read_caseload(tmp_path), ["tau"])
    found = dict(zip(zip(table["child_id"], table["ladder_id"], strict=True), table["value"], strict=True))
    assert found == {("C1", "net"): 0.0, ("C1", "swing"): 1.0, ("C2", "net"): 1.0}


def test_an_unknown_statistic_is_named():
    with pytest.raises(ValueError, match=r"^statistics must be one of 'tau', 'nap', .*; got 'taw'\.$"):
        effects(SeriesBatch.of(*SERIES), ["taw"])
