"""The edition for sharing as files, attacked the way a curious reader would."""

import json
import re
from pathlib import Path

import pytest
from rungwise.audit.audit import audit_quarter
from rungwise.reports.audit_report import NotShared, write_audit
from rungwise.series.caseload import read_caseload

DEMO = Path(__file__).resolve().parents[2] / "data_demo" / "practice"


@pytest.fixture(scope="module")
def shared(tmp_path_factory):
    target = tmp_path_factory.mktemp("out") / "shared"
    files = write_audit(DEMO, "2026Q3", to=target, today="2026-11-13", edition="sharing", progress=None)
    return target, files


def test_nothing_but_the_page_its_numbers_and_their_list_is_written(shared):
    assert sorted(file.name for file in shared[1]) == [
        "contents.json", "shared_audit.html", "shared_audit.json"
    ]  # fmt: skip


def test_no_child_site_or_clinician_can_be_found(shared):
    caseload = read_caseload(DEMO)
    children = caseload.tables["children"]
    names = {*children["child_id"], *children["site"], *children["clinician_id"]} - {None}
    for file in shared[1]:
        text = file.read_text(encoding="utf-8")
        if file.name == "contents.json":
            continue
        for name in names:
            assert not re.search(rf"\b{re.escape(name)}\b", text), name


def test_page_and_json_hold_the_same_numbers_and_no_hidden_one(shared, read_page):
    page = read_page((shared[0] / "shared_audit.html").read_text(encoding="utf-8"))
    document = json.loads((shared[0] / "shared_audit.json").read_text(encoding="utf-8"))
    cells = [cell.text.strip() for cell in page.all("td")][: len(document["children"])]
    assert cells == ["*" if n is None else str(n) for n in document["children"].values()]
    assert document["answer"] in page.all("p", class_="answer")[0].text
    audit = audit_quarter(read_caseload(DEMO), "2026Q3", today="2026-11-13")
    small = {int(n) for n in audit.flow["children"] if 0 < n < document["threshold"]}
    small |= {int(n) for n in audit.shares["children"] if 0 < n < document["threshold"]}
    main = " ".join(part.text for part in page.elements if part.tag in ("p", "li", "td", "caption"))
    spoken = re.sub(r"Numbers from 1 to \d+ are not shown", "", main)
    spoken = re.sub(r"Made with .*", "", spoken)
    for number in small:
        assert not re.search(rf"\b{number}\b(?!%)", spoken), number


def test_it_is_not_marked_confidential_and_has_no_picture(shared):
    html = (shared[0] / "shared_audit.html").read_text(encoding="utf-8")
    assert "Confidential" not in html
    assert "<img" not in html


def test_the_practice_edition_still_names_every_serious_incident():
    audit = audit_quarter(read_caseload(DEMO), "2026Q3", today="2026-11-13")
    assert audit.safety.recorded is ("incidents" in read_caseload(DEMO).tables)


def test_a_second_report_that_would_give_a_number_away_is_not_written(shared, tmp_path):
    last = json.loads((shared[0] / "shared_audit.json").read_text(encoding="utf-8"))
    name = next(name for name, count in last["children"].items() if count)
    last["children"][name] += 1
    file = tmp_path / "last.json"
    file.write_text(json.dumps(last), encoding="utf-8")
    with pytest.raises(NotShared, match="would give a small number away"):
        write_audit(
            DEMO, "2026Q3", to=tmp_path / "again", today="2026-11-13", edition="sharing",
            last_shared=file, progress=None,
        )  # fmt: skip
    assert [entry.name for entry in tmp_path.iterdir()] == ["last.json"]


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ({"edition": "public"}, "edition must be one of 'practice', 'sharing'; got 'public'."),
        ({"last_shared": "x.json"}, "last_shared must be left out unless edition is 'sharing'."),
    ],
)
def test_a_wrong_edition_is_refused(tmp_path, more, message):
    with pytest.raises(ValueError, match=re.escape(message)):
        write_audit(DEMO, "2026Q3", to=tmp_path / "audit", progress=None, **more)
