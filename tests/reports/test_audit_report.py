"""The audit as files, written by running its notebook."""

import hashlib
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
import zipfile
from datetime import date, timedelta

import pytest
from rungwise.basis.errors import DataProblems
from rungwise.reports.audit_report import write_audit
from rungwise.reports.pdf import find_browser
from rungwise.reports.write import NotWritten


def ratings():
    rows = ["child_id,date,phase,rating"]
    for child, exposure in (("C01", [6, 5, 5, 4, 3, 3, 2, 2, 1, 1, 1, 1]), ("C02", [7, 8, 6, 9] * 3)):
        day = date(2026, 5, 4)
        for phase, values in (("baseline", [7, 8, 6, 8]), ("exposure", exposure)):
            for value in values:
                rows.append(f"{child},{day},{phase},{value}")
                day += timedelta(days=7)
    return "\n".join(rows) + "\n"


@pytest.fixture(scope="module")
def caseload(tmp_path_factory):
    place = tmp_path_factory.mktemp("secret_place")
    (place / "ratings.csv").write_text(ratings(), encoding="utf-8")
    (place / "practice.toml").write_text('label = "<script>alert(1)</script>"\n', encoding="utf-8")
    return place


@pytest.fixture(scope="module")
def written(caseload, tmp_path_factory):
    steps = []
    target = tmp_path_factory.mktemp("out") / "audit"
    files = write_audit(
        caseload, "2026Q3", to=target, today="2026-11-01", progress=lambda *step: steps.append(step)
    )
    return target, files, steps


@pytest.fixture(scope="module")
def second(caseload, written, tmp_path_factory):
    """The audit of the quarter after, held against the first and printed where there is a browser."""
    target = tmp_path_factory.mktemp("second") / "audit"
    files = write_audit(
        caseload, "2026Q4", to=target, today="2026-11-01", earlier=written[0], progress=None,
        pdf=find_browser() is not None,
    )  # fmt: skip
    return target, files


def test_everything_is_there_and_listed(written):
    target, files, _ = written
    names = [file.name for file in files]
    assert names[:2] == ["audit.html", "audit.json"]
    assert {"flow.csv", "verdicts.csv", "children.csv", "to_discuss.csv", "problems.csv"} <= set(names)
    listed = json.loads((target / "contents.json").read_text(encoding="utf-8"))["files"]
    paths = {file.relative_to(target).as_posix() for file in files}
    assert set(listed) | {"contents.json"} == paths
    assert "tables/flow.csv" in paths


def test_the_page_is_whole_marked_and_offline(written, read_page):
    html = (written[0] / "audit.html").read_text(encoding="utf-8")
    page = read_page(html)
    assert len(page.all("h1")) == 1
    assert [heading.text.strip() for heading in page.all("h2")] == [
        "Who was there",
        "Did fear come down",
        "Beside the verdicts",
        "Group by group",
        "Scores and goals",
        "Criteria and standards",
        "Quarter by quarter",
        "Safety",
        "Children to discuss",
        "Actions",
        "How complete the records are",
        "What was set aside and why",
        "How far to trust this",
        "Every child of the quarter",
        "Method",
        "How to check this page",
    ]
    assert "Confidential" in page.all("div", class_="mark")[0].text
    assert all(image.attributes["alt"] for image in page.all("img"))
    assert "<script" not in html
    assert not re.search(r"""(?:src|href)=["'](?!data:|#)""", html)


def test_page_and_json_say_the_same(written):
    html = (written[0] / "audit.html").read_text(encoding="utf-8")
    document = json.loads((written[0] / "audit.json").read_text(encoding="utf-8"))
    assert document["answer"] in html
    assert document["practice"] == "<script>alert(1)</script>"
    assert [entry["sha256"] in html for entry in document["inputs"]] == [True, True]


def test_no_file_says_where_the_data_were_kept(written):
    for file in written[1]:
        contents = [file.read_bytes()]
        if file.suffix == ".xlsx":
            with zipfile.ZipFile(file) as parts:
                contents = [parts.read(name) for name in parts.namelist()]
        assert all(b"secret_place" not in content for content in contents)


def test_an_earlier_audit_is_held_against_todays_count(second):
    target, _ = second
    document = json.loads((target / "audit.json").read_text(encoding="utf-8"))
    assert [row["quarter"] for row in document["earlier_reports"]] == ["2026Q3"]
    assert document["inputs"][-1]["name"] == "audit.json"
    page = (target / "audit.html").read_text(encoding="utf-8")
    assert "Earlier audits as they were reported" in page
    assert document["inputs"][-1]["sha256"] in page


@pytest.mark.parametrize(
    ("content", "message"),
    [(None, "a folder that holds some; got earlier."), ("{", "got something else in audit.json.")],
)
def test_what_is_no_earlier_audit_is_refused_before_anything_is_run(caseload, tmp_path, content, message):
    place = tmp_path / "earlier"
    place.mkdir()
    if content is not None:
        (place / "audit.json").write_text(content, encoding="utf-8")
    with pytest.raises(ValueError, match=re.escape(message)):
        write_audit(caseload, "2026Q3", to=tmp_path / "audit", earlier=place, progress=None)
    assert not (tmp_path / "audit").exists()


STAGES = {
    "the place is made": lambda place: True,
    "the tables are begun": lambda place: (place / "tables").exists(),
    "the page is there": lambda place: (place / "audit.html").exists(),
    "the list is there": lambda place: (place / "contents.json").exists(),
}


def whole(folder):
    """Check a report against its own list, and give its bytes."""
    listed = json.loads((folder / "contents.json").read_text(encoding="utf-8"))["files"]
    found = {
        file.relative_to(folder).as_posix(): file.read_bytes()
        for file in folder.rglob("*")
        if file.is_file()
    }
    assert set(found) == {*listed, "contents.json"}
    for name, digest in listed.items():
        assert hashlib.sha256(found[name]).hexdigest() == digest, name
    return found


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs a signal that cannot be caught")
def test_a_run_that_is_killed_at_any_stage_leaves_the_last_good_report_whole(caseload, written, tmp_path):
    target = tmp_path / "out" / "audit"
    shutil.copytree(written[0], target)
    before = whole(target)
    for words, reached in STAGES.items():
        run = subprocess.Popen(
            [sys.executable, "-c", "from rungwise.command import main; main()", "audit", str(caseload),
             "--quarter", "2026Q2", "--to", str(target), "--overwrite", "--today", "2026-11-01"],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True,
        )  # fmt: skip
        at_work = set(target.parent.iterdir()) - {target}
        try:
            deadline = time.monotonic() + 120
            seen = False
            while not seen and run.poll() is None and time.monotonic() < deadline:
                fresh = set(target.parent.iterdir()) - {target} - at_work
                seen = any(reached(place) for place in fresh)
                if not seen:
                    time.sleep(0.0005)
        finally:
            if run.poll() is None:
                os.killpg(run.pid, signal.SIGKILL)
            run.wait()
        after = whole(target)
        if words == "the list is there":
            # The list is written last: from here on either report may be the one in place.
            quarter = json.loads(after["audit.json"])["quarter"]["label"]
            assert quarter in ("2026Q2", "2026Q3")
            assert after == before or quarter == "2026Q2"
            continue
        assert seen, f"the run ended before {words}"
        assert after == before, words
    write_audit(caseload, "2026Q2", to=target, today="2026-11-01", overwrite=True, progress=None)
    assert json.loads(whole(target)["audit.json"])["quarter"]["label"] == "2026Q2"


def test_progress_reaches_its_end(written):
    done, total = written[2][-1]
    assert done == total == len(written[2])


def test_same_input_same_bytes_and_nothing_is_overwritten_unasked(written, caseload):
    target, files, _ = written
    before = {file.name: file.read_bytes() for file in files}
    with pytest.raises(NotWritten, match="holds an earlier report"):
        write_audit(caseload, "2026Q3", to=target, today="2026-11-01", progress=None)
    write_audit(caseload, "2026Q3", to=target, today="2026-11-01", progress=None, overwrite=True)
    after = {file.name: file.read_bytes() for file in target.rglob("*") if file.is_file()}
    assert after == before


@pytest.mark.parametrize(
    ("change", "message"),
    [({"quarter": "2026-3"}, "quarter must be a year"), ({"today": "soon"}, "today must be a date")],
)
def test_a_wrong_call_leaves_nothing_behind(caseload, tmp_path, change, message):
    arguments = {"quarter": "2026Q3", "today": None} | change
    with pytest.raises(ValueError, match=message):
        write_audit(
            caseload, arguments["quarter"], to=tmp_path / "audit", today=arguments["today"], progress=None
        )
    assert list(tmp_path.iterdir()) == []


def test_files_that_cannot_be_used_come_back_as_a_list_of_problems(tmp_path):
    place = tmp_path / "practice"
    place.mkdir()
    (place / "ratings.csv").write_text("date,phase,rating\n2026-05-04,baseline,sky\n", encoding="utf-8")
    with pytest.raises(DataProblems) as caught:
        write_audit(place, "2026Q3", to=tmp_path / "audit", progress=None)
    assert len(caught.value.report) > 0
    assert [entry.name for entry in tmp_path.iterdir()] == ["practice"]


@pytest.mark.skipif(find_browser() is None, reason="no browser that can print")
def test_a_pdf_is_printed_when_asked(second, written):
    target, files = second
    (pdf,) = [file for file in files if file.suffix == ".pdf"]
    assert pdf.name == "audit.pdf"
    assert pdf.read_bytes().startswith(b"%PDF")
    assert "audit.pdf" in json.loads((target / "contents.json").read_text())["files"]
    assert not [file for file in written[1] if file.suffix == ".pdf"]
