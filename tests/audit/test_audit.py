import json
from datetime import date

import pytest
from jsonschema import Draft202012Validator, FormatChecker
from jsonschema.exceptions import ValidationError
from rungwise.audit.audit import audit_quarter, settings_table
from rungwise.audit.serialize import audit_csv, audit_document, audit_frames, audit_json
from rungwise.resources import shipped
from rungwise.tables.practice import Criterion, Practice
from rungwise.tables.problems import Problem
from scipy.stats import binomtest

FALLING = [6, 6, 5, 5, 4, 4, 3, 3, 2, 2, 1, 1]
SCHEMA = Draft202012Validator(
    json.loads((shipped("schemas") / "audit.schema.json").read_text(encoding="utf-8")),
    format_checker=FormatChecker(),
)


@pytest.fixture
def practice(caseload, weekly):
    """Six children at level 1 with everything that can happen to them in 2026Q3."""
    rows = [
        *weekly("C01", "2026-05-04", [7, 8, 7, 8], FALLING),
        *weekly("C02", "2026-05-04", [7, 8, 6, 9], [8, 6, 7, 9] * 3),
        *weekly("C03", "2026-05-04", [3, 4, 3, 4], [6, 7] * 6),
        *weekly("C04", "2026-05-25", [8], FALLING),
        *weekly("C05", "2026-08-03", [7, 8, 7, 8], [6, None, 6, None, None]),
        *weekly("C06", "2026-09-07", [7, 8]),
    ]
    return caseload(
        ratings=rows,
        practice={"label": "Tern Rock <Movement>", "horizon_days": 84},
        problems=[
            Problem("error", "ratings", "ratings.csv", 9, "rating", "77", "scale", "Too high.", "Mend.")
        ],
    )


def test_one_audit_holds_together(practice):
    audit = audit_quarter(practice, "2026Q3", today="2026-11-01")
    totals = audit.flow[audit.flow["kind"] == "total"].set_index("code")["children"]
    assert totals.to_dict() == {"known": 6, "open": 6, "due": 4, "judged": 3}
    assert audit.told.answer.startswith("Fear fell in 1 of the 3 children judged in 2026Q3, rose in 1")
    assert audit.headline.n == 3
    assert audit.children["child_id"].tolist() == [f"C0{i}" for i in range(1, 7)]
    assert audit.set_aside["rows"].tolist() == [1]
    assert audit.inputs["name"].tolist() == ["ratings.csv"]
    raised = set(zip(audit.discuss["child_id"], audit.discuss["rule"], strict=True))
    assert {("C03", "rose"), ("C02", "no_fall"), ("C04", "not_judged")} <= raised


def test_today_only_matters_while_the_quarter_runs(practice):
    after = audit_quarter(practice, "2026Q3", today="2026-10-01")
    assert audit_json(after) == audit_json(audit_quarter(practice, "2026Q3", today=date(2029, 1, 1)))
    within = audit_quarter(practice, "2026Q3", today="2026-08-23")
    assert within.as_of == date(2026, 8, 23)
    assert within.told.answer.startswith("No child's outcome was due")


@pytest.mark.parametrize("today", ["October 1", 20261001, "2026-13-01"])
def test_a_day_that_cannot_be_read_is_refused(practice, today):
    with pytest.raises(ValueError) as caught:
        audit_quarter(practice, "2026Q3", today=today)
    assert str(caught.value) == f"today must be a date such as 2026-10-05; got {today!r}."


def test_quarters_begin_in_the_practices_own_month(caseload, weekly):
    rows = weekly("C01", "2026-05-04", [7, 8, 7, 8], FALLING)
    audit = audit_quarter(
        caseload(ratings=rows, practice={"quarter_start_month": 4}), "2026Q2", today="2027-01-01"
    )
    assert audit.quarter.days == "July 1 to September 30, 2026"
    assert "judged in 2026Q2" in audit.told.answer


def test_settings_say_which_are_defaults():
    table = settings_table(Practice(alpha=0.01, given=frozenset({"alpha"}))).set_index("setting")
    assert table.loc["alpha", ["value", "origin"]].tolist() == [0.01, "practice.toml"]
    assert table.loc["horizon_days", "origin"] == "default: common practice, no source"


EDGES = {
    "nothing at all": {},
    "one child": {"children": ["C01"]},
    "in progress": {"children": ["C05", "C06"]},
    "nothing judged": {"children": ["C04"]},
    "before the first data": {"quarter": "2020Q1"},
    "in the future": {"quarter": "2031Q1"},
    "everything": {"children": [f"C0{i}" for i in range(1, 7)]},
}


@pytest.mark.parametrize("name", EDGES)
def test_every_kind_of_quarter_fits_the_published_schema(practice, caseload, name):
    edge = EDGES[name]
    table = practice.tables["ratings"]
    keep = [child in edge.get("children", []) for child in table["child_id"]]
    rows = [
        {"child_id": c, "date": d, "phase": p, "rating": r, "declined": bool(x)}
        for c, d, p, r, x, k in zip(
            *(table[n] for n in ("child_id", "date", "phase", "rating", "declined")), keep, strict=True
        )
        if k
    ]
    load = practice if "quarter" in edge else caseload(ratings=rows)
    audit = audit_quarter(load, edge.get("quarter", "2026Q3"), today="2026-11-01")
    SCHEMA.validate(json.loads(audit_json(audit)))
    for content in audit_csv(audit).values():
        assert content.startswith("\ufeff")
        assert "nan" not in content.lower()


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("quarter", "label"), "2026-3"),
        (("mean_nap", "value"), 1.2),
        (("children", 0, "verdict"), "cured"),
        (("children", 0, "p_value"), 0),
        (("inputs", 0, "sha256"), "abc"),
        (("flow", 0, "children"), -1),
        (("as_of",), "yesterday"),
        (("extra",), 1),
    ],
)
def test_the_schema_refuses_what_is_not_an_audit(practice, path, value):
    document = audit_document(audit_quarter(practice, "2026Q3", today="2026-11-01"))
    part = document
    for step in path[:-1]:
        part = part[step]
    part[path[-1]] = value
    with pytest.raises(ValidationError):
        SCHEMA.validate(document)


def test_same_input_same_bytes(practice):
    one, two = (audit_quarter(practice, "2026Q3", today="2026-11-01") for _ in range(2))
    assert audit_json(one) == audit_json(two)
    assert audit_csv(one) == audit_csv(two)


def test_a_missing_number_has_its_reason_beside_it(practice):
    audit = audit_quarter(practice, "2026Q3", today="2026-11-01")
    document = audit_document(audit)
    for row in document["children"] + document["verdicts"] + document["ways_due"]:
        assert bool(row["why_missing"]) == any(
            row[name] is None
            for name in row
            if name in ("nap", "p_value", "trend_p", "beyond", "nap_low", "share", "ci_low")
        )
    assert {row["child_id"]: row["why_missing"] for row in document["children"]}["C06"] == (
        "Not judged: still in baseline."
    )


def test_one_share_has_one_interval_wherever_it_stands(caseload, weekly):
    rows = [row for i in range(9) for row in weekly(f"C{i}", "2026-05-04", [7, 8, 7, 8], FALLING)]
    rows += weekly("D1", "2026-05-04", [7, 8, 6, 9], [8, 6, 7, 9] * 3)
    load = caseload(ratings=rows, practice={"criteria": {"fell": Criterion(0.5)}})
    audit = audit_quarter(load, "2026Q3", today="2026-11-01")
    places = [
        audit.shares[audit.shares["code"] == "fell"],
        audit.standards[audit.standards["criterion"] == "fell"],
        audit.history[audit.history["quarter"] == "2026Q3"],
    ]
    found = {tuple(place[["share", "ci_low", "ci_high"]].iloc[0]) for place in places}
    wilson = binomtest(9, 10).proportion_ci(0.95, method="wilson")
    assert len(found) == 1
    assert found.pop() == pytest.approx((0.9, wilson.low, wilson.high))


def test_full_precision_goes_into_the_files(practice):
    audit = audit_quarter(practice, "2026Q3", today="2026-11-01")
    share = audit.shares["share"][0]
    assert repr(float(share)) in audit_csv(audit)["verdicts.csv"]
    assert audit_document(audit)["verdicts"][0]["share"] == share


def test_no_table_says_who_worked_with_whom(caseload, weekly):
    children = [{"child_id": "C01", "entered_on": "2026-05-01", "clinician_id": "T7"}]
    load = caseload(ratings=weekly("C01", "2026-05-04", [7, 8, 7, 8], FALLING), children=children)
    audit = audit_quarter(load, "2026Q3", today="2026-11-01")
    assert "T7" not in audit_json(audit)
    assert all("T7" not in content for content in audit_csv(audit).values())
    assert "children.clinician_id" not in audit.quality.not_recorded
    assert set(audit_frames(audit)) | {".csv"} >= {"flow", "children"}
