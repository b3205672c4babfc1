"""Rows of one child come together whatever the form its code is stored in."""

import pyarrow as pa
import pytest
from rungwise.series.blocks import hashed
from rungwise.series.registry_files import PartFile
from rungwise.series.registry_rows import _hashes, scatters

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
