"""Earlier audits as reported, held against today's count."""

import copy
import re

import pandas as pd
import pytest
from rungwise.audit.audit import audit_quarter
from rungwise.audit.reaudit import Earlier, Reaudit
from rungwise.audit.serialize import audit_document
from rungwise.tables.practice import Criterion
from rungwise.tables.table import InputFile

FALLING = [6, 6, 5, 5, 4, 4, 3, 3, 2, 2, 1, 1]
STANDARDS = {"fell": Criterion(0.3), "left_early": Criterion(0.9, "at_most")}


@pytest.fixture
def load(caseload, weekly):
    def build(more=(), standards=STANDARDS):
        ratings = [
            *weekly("C01", "2026-02-02", [7, 8, 7, 8], FALLING),
            *weekly("C02", "2026-05-04", [7, 8, 7, 8], FALLING),
            *more,
        ]
        return caseload(practice={"criteria": standards}, ratings=ratings)

    return build


def written(audit, name="2026Q2/audit.json"):
    return Earlier(audit_document(audit), InputFile(name, "0" * 64, 1))


@pytest.fixture
def before(load):
    return written(audit_quarter(load(), "2026Q2", today="2026-11-01"))


def test_the_same_files_give_the_same_count(load, before):
    audit = audit_quarter(load(), "2026Q3", today="2026-11-01", earlier=[before])
    row = audit.reaudit.quarters.iloc[0]
    assert row["quarter"] == "2026Q2"
    assert (row["judged_then"], row["fell_then"]) == (row["judged_now"], row["fell_now"]) == (1, 1)
    assert row["mean_nap_then"] == row["mean_nap_now"]
    assert row["verdicts_changed"] == ""
    (said,) = audit.reaudit.sentences
    assert said == (
        "The audit of 2026Q2 reported a fall in 1 of 1 children judged; counted again today it is the same."
    )
    assert said in audit.told.trust
    assert audit.inputs["name"].tolist()[-1] == "2026Q2/audit.json"


def test_records_added_since_are_seen_with_the_child_they_changed(load, weekly, before):
    late = weekly("C03", "2026-02-02", [7, 8, 7, 8], [8, 7, 9, 8, 7, 8, 9, 8, 7, 8, 9, 8])
    audit = audit_quarter(load(late), "2026Q3", today="2026-11-01", earlier=[before])
    row = audit.reaudit.quarters.iloc[0]
    assert (row["judged_now"], row["fell_now"], row["verdicts_changed"]) == (2, 1, "C03")
    assert audit.reaudit.sentences[0].endswith(
        "today it is 1 of 2, with 1 verdict changed by later records."
    )


def test_standards_of_the_last_audit_are_set_beside_this_one(load, before):
    changed = STANDARDS | {"fell": Criterion(0.01)}
    audit = audit_quarter(load(standards=changed), "2026Q3", today="2026-11-01", earlier=[before])
    table = audit.reaudit.standards.set_index("criterion")
    assert table.loc["fell", ["target_then", "target_now"]].tolist() == [0.3, 0.01]
    assert table.loc["fell", "result_then"] == "too_few"
    assert table.loc["fell", "result_now"] == "met"
    said = "Since the audit of 2026Q2, of 2 standards: 1 too few to say then (now met) and 1 as before"
    assert f"{said} (1 target changed in between)." in audit.told.first_page


@pytest.mark.parametrize(
    ("turns", "said"),
    [
        ([("met", "not_met")], "1 standard: the one no longer met"),
        ([("met", "too_few")], "1 standard: the one met then (now too few to say)"),
        ([("met", "nobody")], "1 standard: the one met then (now nobody to count)"),
        ([("too_few", "not_met")], "1 standard: the one too few to say then (now not met)"),
        (
            [("met", "met"), ("met", "too_few"), ("met", "not_met"), ("not_met", "met")],
            "4 standards: 1 met then (now too few to say), 1 no longer met, 1 newly met and 1 as before",
        ),
        ([("too_few", "too_few"), ("met", "met")], "2 standards: both as before"),
    ],
)
def test_too_few_children_to_say_is_no_standard_missed(turns, said):
    table = pd.DataFrame(turns, columns=["result_then", "result_now"])
    table = table.assign(quarter="2026Q2", target_then=0.5, target_now=0.5)
    assert Reaudit(pd.DataFrame(), table).first_page == (f"Since the audit of 2026Q2, of {said}.",)


def test_without_earlier_audits_nothing_is_said(load):
    audit = audit_quarter(load(), "2026Q3", today="2026-11-01")
    assert audit.reaudit.sentences == audit.reaudit.first_page == ()
    assert audit.reaudit.quarters.empty


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"document": "a letter"}, "got something else in 2026Q2/audit.json"),
        ({"verdicts": None}, "got something else in 2026Q2/audit.json"),
        ({"quarter": {"label": "2026Q3"}}, "quarters before 2026Q3; got 2026Q3 in 2026Q2/audit.json"),
    ],
)
def test_what_is_no_earlier_audit_is_refused(load, before, change, message):
    document = copy.deepcopy(before.document) | change
    document = {name: value for name, value in document.items() if value is not None}
    with pytest.raises(ValueError, match=re.escape(message)):
        audit_quarter(load(), "2026Q3", today="2026-11-01", earlier=[Earlier(document, before.file)])


def test_two_audits_of_one_quarter_are_refused(load, before):
    with pytest.raises(ValueError, match="one audit per quarter"):
        audit_quarter(load(), "2026Q3", today="2026-11-01", earlier=[before, before])
