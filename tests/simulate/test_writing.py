"""Simulated tables become files that any spreadsheet and the schemas read alike."""

from datetime import date

import numpy as np
from rungwise.simulate.writing import csv_text, write_tables


def test_cells_are_written_as_the_schemas_read_them():
    row = {
        "day": date(2026, 3, 9),
        "missing": None,
        "no": False,
        "yes": np.True_,
        "whole": 7,
        "decimals": 1.25,
        "none_after_point": 2.0,
        "every_digit": 414.69012345678,
        "text": 'firm, "wet"',
    }
    assert csv_text([row]) == (
        "day,missing,no,yes,whole,decimals,none_after_point,every_digit,text\n"
        '2026-03-09,,no,yes,7,1.25,2,414.69012345678,"firm, ""wet"""\n'
    )


def test_every_table_becomes_one_file_with_plain_line_ends(tmp_path):
    write_tables({"a": [{"x": 1}, {"x": 2}], "b": [{"y": "é"}]}, tmp_path)
    assert (tmp_path / "a.csv").read_bytes() == b"x\n1\n2\n"
    assert (tmp_path / "b.csv").read_bytes() == "y\né\n".encode()
