"""Rows of one child come together whatever the form its code is stored in."""

import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyarrow import parquet
from rungwise.series import registry_rows
from rungwise.series.blocks import LONGEST, hashed
from rungwise.series.registry_files import PartFile, registry_files
from rungwise.series.registry_rows import _hashes, rows_of_part, scatter, scatters
from rungwise.tables.findings import Findings
from rungwise.tables.schema import tidy

CODES = ["C014", "c014", "K-1", "heron", " C014 ", "Ä7", "", "X" * 40]


@pytest.mark.parametrize("kind", [pa.string(), pa.dictionary(pa.int32(), pa.string())])
def test_codes_in_columns_hash_as_texts_do(kind):
    column = pa.array(CODES, kind)
    assert _hashes(column).tolist() == hashed([code.strip() for code in CODES]).tolist()
    assert _hashes(column)[0] == _hashes(column)[1] == _hashes(column)[4]


def test_a_slice_hashes_like_its_own_column():
    column = pa.array(CODES)
    assert _hashes(column.slice(2, 3)).tolist() == hashed(["K-1", "heron", "C014"]).tolist()


def test_tasks_take_every_row_group_once_and_only_like_columns_together(tmp_path):
    def file(name, groups, kind="number"):
        columns = (("child_id", "child_id", "text"), ("rating", "rating", kind))
        return PartFile(tmp_path / name, name, 1, 1, groups, columns)

    files = [file("a", (40, 40, 40)), file("b", (10,)), file("c", (10,), "text"), file("d", (500,))]
    tasks = scatters(files, tmp_path, 2, 80)
    taken = [(piece.file.name, group) for task in tasks for piece in task.pieces for group in piece.groups]
    assert taken == [("a", 0), ("a", 1), ("a", 2), ("b", 0), ("c", 0), ("d", 0)]
    kinds = [{piece.file.columns[1][2] for piece in task.pieces} for task in tasks]
    assert all(len(some) == 1 for some in kinds)
    assert len({task.to for task in tasks}) == len(tasks) == 4


LETTERS = st.text(st.characters(codec="utf-8") | st.sampled_from("aZ09 \x7f@[`{"), max_size=LONGEST + 9)


@given(st.lists(LETTERS, min_size=1, max_size=30))
@settings(max_examples=300)
def test_any_codes_hash_as_texts_do(codes):
    assert _hashes(pa.array(codes)).tolist() == hashed([tidy(code) for code in codes]).tolist()


def test_columns_of_many_texts_are_written_as_they_are(tmp_path, monkeypatch):
    n = 400
    table = pa.table(
        {
            "child_id": [f"C{row % 37:03d}" for row in range(n)],
            "occasion": [float(row) for row in range(n)],
            "phase": ["baseline", "exposure"] * (n // 2),
            "rating": [row % 11 for row in range(n)],
            "note": pa.array([f"note {row}" for row in range(n)]).dictionary_encode(),
        }
    )
    parquet.write_table(table, tmp_path / "a.parquet", row_group_size=90)
    files, _, _ = registry_files(tmp_path, Findings())

    def rows(name, most):
        monkeypatch.setattr(registry_rows, "MOST_TEXTS", most)
        (tmp_path / name).mkdir()
        tasks = scatters(files, tmp_path / name, 2, 150)
        for task in tasks:
            scatter(task)
        found = {}
        for part in range(4):
            for some in rows_of_part([task.to for task in tasks], part, 2):
                columns = {
                    column: [texts[code] for code in codes] for column, (codes, texts) in some.coded.items()
                }
                columns |= {
                    column: [value for piece in pieces for value in piece.to_pylist()]
                    for column, pieces in some.carried.items()
                }
                for place, number in enumerate(some.number.tolist()):
                    row = {column: values[place] for column, values in columns.items()}
                    found[number] = {
                        column: f"{value:g}" if isinstance(value, float) else value
                        for column, value in row.items()
                    }
        return found, {column for some in rows_of_part([tasks[0].to], 0, 2) for column in some.coded}

    few, coded = rows("few", 12)
    many, coded_then = rows("many", 10_000)
    assert coded == {"phase", "rating"}
    assert coded_then == {"phase", "rating", "note", "occasion"}
    assert few == many
    assert sorted(few) == [*range(2, n + 2)]
    assert few[41] == {
        "child_id": "C002",
        "occasion": "39",
        "phase": "exposure",
        "rating": "6",
        "note": "note 39",
    }
