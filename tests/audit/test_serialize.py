"""The audit as plain values, JSON and CSV: full precision, reasons for gaps, nothing a spreadsheet runs."""

import csv
import io
import json
import math
from datetime import date

import numpy as np
import pandas as pd
import pytest
from jsonschema import Draft202012Validator
from rungwise.audit.audit import audit_quarter
from rungwise.audit.serialize import (
    BYTE_ORDER_MARK,
    WHY,
    audit_csv,
    audit_document,
    audit_frames,
    audit_json,
    table_csv,
)
from rungwise.resources import shipped

SCHEMA = Draft202012Validator(
    json.loads((shipped("schemas") / "audit.schema.json").read_text(encoding="utf-8"))
)
FALLING = [6, 6, 5, 5, 4, 4, 3, 3, 2, 2, 1, 1]


@pytest.fixture
def audit(caseload, weekly):
    ratings = [
        *weekly("=C01", "2026-05-04", [7, 8, 7, 8], FALLING),
        *weekly("C02", "2026-05-04", [7, 8, 6, 9], [8, 6, 7, 9] * 3),
        *weekly("C03", "2026-05-25", [8], FALLING),
    ]
    load = caseload(practice={"label": "@Tern Rock"}, ratings=ratings, incidents=[])
    return audit_quarter(load, "2026Q3", today="2026-11-01")


def test_the_document_keeps_to_its_schema_and_every_number_in_full(audit):
    document = audit_document(audit)
    SCHEMA.validate(document)
    assert document["mean_nap"]["value"] == audit.headline.value
    assert document["synthesis"]["average"]["value"] == audit.synthesis.average.value
    assert document["practice"] == "@Tern Rock"


def test_json_holds_no_nan_and_reads_back_as_the_document(audit):
    text = audit_json(audit)
    assert "NaN" not in text
    assert text.endswith("}\n")
    assert json.loads(text) == json.loads(json.dumps(audit_document(audit)))
    assert text == json.dumps(audit_document(audit), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def test_every_missing_number_of_a_table_has_its_reason(audit):
    """Identifying columns may be blank; numbers may not, without a reason in the same row."""
    for name, frame in audit_frames(audit).items():
        for row in frame.to_dict("records"):
            gaps = [key for key, value in row.items() if isinstance(value, float) and math.isnan(value)]
            if gaps and name not in ("set_aside", "problems", "actions", "serious_incidents"):
                assert row.get(WHY), (name, gaps)


def test_csv_has_the_same_rows_as_the_frames_and_no_formula(audit):
    files = audit_csv(audit)
    frames = audit_frames(audit)
    assert set(files) == {f"{name}.csv" for name in frames}
    for name, frame in frames.items():
        text = files[f"{name}.csv"]
        assert text.startswith(BYTE_ORDER_MARK)
        header, *rows = list(csv.reader(io.StringIO(text.removeprefix(BYTE_ORDER_MARK))))
        assert header == list(frame.columns)
        assert len(rows) == len(frame)
        assert not [cell for row in rows for cell in row if cell[:1] in ("=", "@", "+")]
    children = list(csv.DictReader(io.StringIO(files["children.csv"].removeprefix(BYTE_ORDER_MARK))))
    assert "'=C01" in {row["child_id"] for row in children}


def test_numbers_of_a_csv_read_back_to_the_last_digit():
    frame = pd.DataFrame({"x": [1 / 3, np.nan, 1e-300], "n": [1, 2, 3], "day": [date(2026, 9, 3)] * 3})
    rows = list(csv.DictReader(io.StringIO(table_csv(frame).removeprefix(BYTE_ORDER_MARK))))
    assert [float(row["x"]) if row["x"] else None for row in rows] == [1 / 3, None, 1e-300]
    assert [row["n"] for row in rows] == ["1", "2", "3"]
    assert {row["day"] for row in rows} == {"2026-09-03"}


def test_one_child_has_no_synthesis_and_nobody_no_mean(caseload, weekly):
    one = caseload(ratings=weekly("C01", "2026-05-04", [7, 8, 7, 8], FALLING))
    document = audit_document(audit_quarter(one, "2026Q3", today="2026-11-01"))
    SCHEMA.validate(document)
    assert document["synthesis"] is None
    nobody = audit_document(audit_quarter(one, "2026Q1", today="2026-11-01"))
    SCHEMA.validate(nobody)
    assert nobody["mean_nap"]["value"] is None
    assert nobody["mean_nap"][WHY]
