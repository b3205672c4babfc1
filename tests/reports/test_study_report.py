"""A study from plan to Word: every number again from the archive, and pages that hold what they promise."""

import csv
import io
import json
import re
import shutil
import zipfile
from datetime import date
from itertools import permutations, product
from pathlib import Path

import docx
import numpy as np
import pytest
from PIL import Image
from rungwise.reports.plan_report import write_plan
from rungwise.reports.rerun import LEFT_OUT, rerun_study
from rungwise.reports.scribe import ITEMS
from rungwise.reports.study_inputs import read_answers, read_study
from rungwise.reports.study_report import write_masked, write_study
from rungwise.reports.write import NotWritten
from rungwise.series.caseload import read_caseload
from rungwise.simulate.writing import csv_text, write_tables
from rungwise.study.masked import masked_test, read_key
from rungwise.study.plan import plan_study
from rungwise.study.preanalysis import TO_WRITE
from rungwise.study.rehearsal import rehearse
from rungwise.study.scenario import Scenario
from rungwise.study.schedule import draw_schedule, open_schedule

DEMO = Path(__file__).parents[2] / "data_demo" / "study"
TODAY = date(2026, 11, 13)


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    target = tmp_path_factory.mktemp("out") / "study"
    write_study(
        DEMO / "records", to=target, plan=DEMO / "plan.json", schedule=DEMO / "schedule.json",
        answers=DEMO / "masked_answers.csv", key=DEMO / "masked_key.json", today=TODAY,
    )  # fmt: skip
    return target


@pytest.fixture(scope="module")
def again(written, tmp_path_factory):
    """The same study once more, without its page and with a key of its participants that is there."""
    place = tmp_path_factory.mktemp("again")
    shutil.copy(written.parent / "study_participants.json", place / "key.json")
    write_study(
        DEMO / "records", to=place / "study", plan=DEMO / "plan.json", schedule=DEMO / "schedule.json",
        answers=DEMO / "masked_answers.csv", key=DEMO / "masked_key.json", today=TODAY, page=False,
        participants_to=place / "key.json",
    )  # fmt: skip
    return place


@pytest.fixture(scope="module")
def word(written):
    return docx.Document(str(written / "study.docx"))


def text_of(word):
    return "\n".join(one.text for one in word.paragraphs)


def table(word, caption):
    """The table under a caption."""
    body = list(word.element.body)
    for at, element in enumerate(body):
        if element.tag.endswith("}p") and caption in "".join(element.itertext()):
            found = next(one for one in body[at:] if one.tag.endswith("}tbl"))
            return [
                [cell.text for cell in row.cells]
                for row in next(one for one in word.tables if one._tbl is found).rows
            ]
    raise AssertionError(caption)


def test_the_chain_from_plan_to_word(tmp_path):
    """Plan, seal, record, analyze, write: and the exact p is that of brute force."""
    write_plan(
        DEMO / "before", "S01, S02, S03", to=tmp_path / "plan", sealed_to=tmp_path / "sealed",
        design_id="GW9", first_day="2026-03-02", seed=77, replications=100, today=TODAY,
    )  # fmt: skip
    schedule = open_schedule((tmp_path / "sealed/schedule.json").read_text(encoding="utf-8"))
    (tmp_path / "records").mkdir()
    scenario = Scenario(missed=0.05, decline_at=9.0)
    write_tables(rehearse(schedule, scenario, np.random.default_rng(3)), tmp_path / "records")
    write_study(
        tmp_path / "records", to=tmp_path / "study", plan=tmp_path / "plan/plan.json",
        schedule=tmp_path / "sealed/schedule.json", today=TODAY, page=False,
    )  # fmt: skip
    with zipfile.ZipFile(tmp_path / "study/study.zip") as archive:
        test = json.loads(archive.read("numbers.json"))["randomization_test"]
    study = read_study(tmp_path / "records", plan=tmp_path / "plan/plan.json", today=TODAY).result.study
    values = [one.series.values for one in study.cases]

    def improvement(starts):
        return np.mean(
            [np.nanmean(v[: s - 1]) - np.nanmean(v[s - 1 :]) for v, s in zip(values, starts, strict=True)]
        )

    every = [order for one in product(*schedule.plan.windows) for order in permutations(one)]
    own = improvement(schedule.starts)
    p = np.mean([improvement(starts) >= own - 1e-9 for starts in every])
    assert test["p_value"] == pytest.approx(p, abs=1e-12)
    assert test["counts"]["assignments"] == len(every)
    text = text_of(docx.Document(str(tmp_path / "study/study.docx")))
    shown = (
        "< .001"
        if p < 0.001
        else f"= {p:.3f}".replace("0.", ".")
        if p < 0.1
        else f"= {p:.2f}".replace("0.", ".")
    )
    assert f"gave p {shown} (improvement)" in text
    assert rerun_study(tmp_path / "study/study.zip").same


def test_a_rerun_from_the_archive_gives_the_same_numbers(written, tmp_path):
    outcome = rerun_study(written / "study.zip")
    assert outcome.same
    assert outcome.numbers > 300
    with zipfile.ZipFile(written / "study.zip") as archive:
        archive.extractall(tmp_path)
    assert rerun_study(tmp_path).lines() == [f"All {outcome.numbers} numbers are the same."]


@pytest.mark.parametrize("what", ["rating", "number", "seedless"])
def test_a_rerun_notices_what_was_changed(written, tmp_path, what):
    with zipfile.ZipFile(written / "study.zip") as archive:
        archive.extractall(tmp_path)
    if what == "rating":
        file = tmp_path / "data/observations.csv"
        lines = file.read_text(encoding="utf-8").splitlines()
        at = lines[0].split(",").index("fear_peak")
        cells = lines[5].split(",")
        cells[at] = "1" if cells[at] != "1" else "2"
        lines[5] = ",".join(cells)
        file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    elif what == "number":
        file = tmp_path / "numbers.json"
        numbers = json.loads(file.read_text(encoding="utf-8"))
        numbers["between_case_d"]["value"] += 1e-12
        file.write_text(json.dumps(numbers), encoding="utf-8")
    else:
        (tmp_path / "settings.json").unlink()
        with pytest.raises(ValueError, match=r"settings\.json is missing"):
            rerun_study(tmp_path)
        return
    outcome = rerun_study(tmp_path)
    assert not outcome.same
    assert any("in the report" in line for line in outcome.lines())


def test_the_archive_holds_the_studys_children_and_no_free_text(written):
    files = archived(written / "study.zip")
    assert {"plan.json", "settings.json", "numbers.json", "environment.json", "rerun.py", "README.txt",
            "registered.json", "draw.json", "masked_answers.csv", "masked_key.json",
            "data/observations.csv", "data/practice.toml"} <= set(files)  # fmt: skip
    for name, content in files.items():
        if name.endswith(".csv"):
            assert not set(content.splitlines()[0].split(",")) & set(LEFT_OUT)
    made = json.loads(files["environment.json"])
    assert {"rungwise", "numpy", "scipy"} <= set(made["packages"])


def test_neither_a_code_nor_a_date_nor_a_place_is_in_the_archive(written):
    files = archived(written / "study.zip")
    for name, content in files.items():
        assert not re.search(r"\bS0\d\b", content), name
        assert not re.search(r"\b20\d\d-\d\d-\d\d\b", content), name
        assert not re.search(r"harbor|quay|\bR[1-4]\b", content), name
    trials = list(csv.DictReader(io.StringIO(files["data/observations.csv"])))
    assert {row["child_id"] for row in trials} == {"P1", "P2", "P3", "P4"}
    source = read_caseload(DEMO / "records", today=TODAY).tables["observations"]
    probes = source.where(source["kind"] == "probe")
    days = (probes["date"] - np.datetime64("2026-03-02")).astype(int)
    given = {(row["child_id"].replace("P", "S0"), int(row["day"]), row["fear_peak"]) for row in trials}
    wanted = {
        (child, day, "" if np.isnan(fear) else f"{fear:g}")
        for child, day, fear in zip(probes["child_id"], days.tolist(), probes["fear_peak"], strict=True)
    }
    assert given == wanted


def test_the_key_of_the_participants_lies_apart_and_leads_back(written):
    key = json.loads((written.parent / "study_participants.json").read_text(encoding="utf-8"))
    assert key["participants"] == {f"P{i}": f"S0{i}" for i in range(1, 5)}
    assert key["day_0"] == "2026-03-02"
    assert key["raters"] == {"rater 1": "R3", "rater 2": "R4"}
    with pytest.raises(ValueError, match="participants_to must not lie in the folder that others get"):
        write_study(DEMO / "records", to=written, overwrite=True, participants_to=written / "key.json")


def test_another_key_is_not_overwritten_unasked(written, again, tmp_path):
    key = (again / "key.json").read_bytes()
    assert key == (written.parent / "study_participants.json").read_bytes()
    assert b"S01" in key
    (tmp_path / "key.json").write_text("mine")
    with pytest.raises(NotWritten):
        write_study(
            DEMO / "records", to=tmp_path / "study", participants_to=tmp_path / "key.json",
            plan=DEMO / "plan.json", today=TODAY, page=False,
        )  # fmt: skip
    assert (tmp_path / "key.json").read_text() == "mine"
    assert not (tmp_path / "study").exists()


def test_neither_manuscript_nor_page_names_a_code_of_the_practice(written, word):
    cells = [cell.text for table in word.tables for row in table.rows for cell in row.cells]
    page = re.sub(r"<script.*?</script>|<style.*?</style>|base64,[^\"')]*", "",
                  (written / "study.html").read_text(encoding="utf-8"), flags=re.DOTALL)  # fmt: skip
    drawing = (written / "figures/figure_1.svg").read_text(encoding="utf-8")
    for text in (text_of(word), "\n".join(cells), page, drawing):
        assert not re.search(r"\bS0[1-5]\b", text)
        assert "2026-0" not in text
    assert "P1 gangway" in cells
    assert "a file apart, which stays with the author" in text_of(word)


def test_another_draw_than_the_plan_and_seed_give_is_noticed(written, tmp_path):
    with zipfile.ZipFile(written / "study.zip") as archive:
        archive.extractall(tmp_path)
    (tmp_path / "draw.json").write_text('{"seed": 7}')
    lines = rerun_study(tmp_path).lines()
    assert any(line.startswith("drawn.P1 gangway") for line in lines)


def archived(file):
    with zipfile.ZipFile(file) as archive:
        return {name: archive.read(name).decode("utf-8") for name in archive.namelist()}


def test_settings_travel_with_the_data_and_places_staff_and_notes_do_not(tmp_path):
    for file in (DEMO / "records").glob("*.csv"):
        (tmp_path / file.name).write_bytes(file.read_bytes())
    (tmp_path / "practice.toml").write_text("alpha = 0.2\nmargin = 3\n", encoding="utf-8")
    for name, column, entry in (
        ("children", "site", "Quayside"),
        ("children", "clinician_id", "T77"),
        ("observations", "note", "kite"),
    ):
        head, *lines = (tmp_path / f"{name}.csv").read_text(encoding="utf-8").splitlines()
        extended = [f"{head},{column}", *(f"{line},{entry}" for line in lines)]
        (tmp_path / f"{name}.csv").write_text("\n".join(extended) + "\n", encoding="utf-8")
    write_study(tmp_path, to=tmp_path / "out", plan=DEMO / "plan.json", today=TODAY, page=False)
    assert rerun_study(tmp_path / "out/study.zip").same
    with zipfile.ZipFile(tmp_path / "out/study.zip") as archive:
        files = {name: archive.read(name).decode("utf-8") for name in archive.namelist()}
    assert "margin = 3" in files["data/practice.toml"]
    assert not [name for name in files if any(word in files[name] for word in ("Quayside", "T77", "kite"))]


def test_an_archive_that_leads_out_of_its_folder_is_refused(tmp_path):
    bad = tmp_path / "bad.zip"
    with zipfile.ZipFile(bad, "w") as archive:
        archive.writestr("../out.txt", "x")
    with pytest.raises(ValueError, match="leads out of it"):
        rerun_study(bad)
    with pytest.raises(ValueError, match="not an archive"):
        rerun_study(DEMO / "plan.json")


def test_the_manuscript_has_real_styles_captions_and_headings(word):
    headings = [one.text for one in word.paragraphs if one.style.name == "Heading 1"]
    assert headings == [
        "Abstract", "Introduction", "Method", "Results", "Departures from the plan",
        "Appraisal against published criteria", "Discussion", "Cautions", "Raw data", "Reproducibility",
        "SCRIBE 2016 checklist",
    ]  # fmt: skip
    captions = [one.text for one in word.paragraphs if one.style.name == "Caption"]
    numbers = [int(re.match(r"Table (\d+)\.", one)[1]) for one in captions if one.startswith("Table")]
    assert numbers == list(range(1, len(word.tables) + 1))
    assert sum(one.startswith("Figure") for one in captions) == 1


def test_numbers_are_in_apa_style_with_italic_p(word, study_inputs):
    text = text_of(word)
    assert "p = 0." not in text
    assert "p = .000" not in text
    (sentence,) = [one for one in word.paragraphs if one.text.startswith("Over all 1,944")]
    assert [run.text for run in sentence.runs if run.italic] == ["p", "p"]
    assert "95% CI [−" in sentence.text
    assert f"{study_inputs.result.test.p_value:.3f}"[1:] in sentence.text


def test_every_rating_of_every_case_is_in_the_report(word, study_inputs):
    shown = {(row[0], row[1]): row[2] for row in table(word, "Every rating of every case")[1:]}
    for one in study_inputs.result.study.cases:
        told = "; ".join(shown[one.case.label, phase] for phase in ("baseline", "exposure")).split("; ")
        wanted = []
        for time, value, declined in zip(
            one.series.times, one.series.values, one.series.declined, strict=True
        ):
            mark = "D" if declined else "–" if np.isnan(value) else f"{value:g}"
            wanted.append(f"{time:g}: {mark}")
        assert told == wanted


def test_adverse_events_fidelity_and_departures_are_told(word):
    events = table(word, "Every adverse event")
    assert [row[0] for row in events[1:]] == ["P2", "P4"]
    assert events[2][2] == "near-fall"
    assert [row[0] for row in table(word, "Steps of the procedure")][1] == "all children"
    departures = table(word, "Where the study departed")
    assert ["Probes of P1 gangway", "26 occasions", "24 recorded"] in departures


def test_the_checklist_has_26_items_each_with_its_place_or_left_to_the_author(word):
    entries = table(word, "Items of SCRIBE 2016")[1:]
    assert [row[0] for row in entries] == [str(number) for number in range(1, len(ITEMS) + 1)]
    assert len(entries) == 26
    headings = {one.text for one in word.paragraphs if one.style.name.startswith("Heading")}
    for _, topic, place in entries:
        if place not in (TO_WRITE, "Title"):
            assert re.fullmatch(r'Section "(.+)"', place)[1] in headings, topic
    places = {topic: place for _, topic, place in entries}
    assert places["Structured abstract"] == TO_WRITE
    assert places["Adverse events"] == 'Section "Adverse events"'
    assert "from memory" in text_of(word)


def test_figures_are_there_at_300_dots_per_inch_and_as_drawing(written):
    with zipfile.ZipFile(written / "study.docx") as archive:
        media = {name: archive.read(name) for name in archive.namelist() if "media" in name}
    assert any(name.endswith(".svg") for name in media)
    inside = next(content for name, content in media.items() if name.endswith(".png"))
    assert (written / "figures/figure_1.svg").read_bytes().startswith(b"<?xml")
    for content in (inside, (written / "figures/figure_1.png").read_bytes()):
        with Image.open(io.BytesIO(content)) as picture:
            assert picture.width == 2100


def test_the_page_says_the_same_as_the_manuscript(written, word, read_page):
    page = read_page((written / "study.html").read_text(encoding="utf-8"))
    told = page.all("main")[0].text if page.all("main") else page.all("body")[0].text
    (sentence,) = [one.text for one in word.paragraphs if one.text.startswith("Over all 1,944")]
    assert " ".join(sentence.split()) in " ".join(told.split())
    assert not re.search(r"""(?:src|href)=["'](?!data:|#)""", (written / "study.html").read_text())


def test_the_same_files_give_the_same_manuscript(written, again):
    for name in ("study.docx", "study.zip", "figures/figure_1.png", "figures/figure_1.svg"):
        assert (again / "study" / name).read_bytes() == (written / name).read_bytes(), name


def test_without_a_plan_the_report_says_so(tmp_path):
    write_study(DEMO / "records", to=tmp_path / "out", today=TODAY, page=False)
    text = text_of(docx.Document(str(tmp_path / "out/study.docx")))
    assert "No pre-analysis plan was given, so departures cannot be said." in text
    assert "No plan was given with the data" in text
    assert rerun_study(tmp_path / "out/study.zip").same


def test_nothing_is_written_where_something_is_in_the_way(tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "out/mine.txt").write_text("x")
    with pytest.raises(NotWritten):
        write_study(DEMO / "records", to=tmp_path / "out", today=TODAY, page=False)
    assert [file.name for file in (tmp_path / "out").iterdir()] == ["mine.txt"]


def test_masked_graphs_and_their_key_lie_apart_and_come_back_tested(tmp_path):
    files = write_masked(
        DEMO / "records", to=tmp_path / "raters", key_to=tmp_path / "keeper/key.json",
        plan=DEMO / "plan.json", seed=4, today=TODAY,
    )  # fmt: skip
    assert [file.name for file in files] == ["graphs.docx", "answers.csv", "key.json"]
    key = read_key((tmp_path / "keeper/key.json").read_text(encoding="utf-8"))
    with zipfile.ZipFile(tmp_path / "raters/graphs.docx") as archive:
        content = b"".join(archive.read(name) for name in archive.namelist())
    for entry in key["graphs"]:
        assert entry["child_id"].encode() not in content
    text = text_of(docx.Document(str(tmp_path / "raters/graphs.docx")))
    assert "exposure" in text.split("Graph A")[0]
    assert "baseline" not in text
    rows = read_answers(tmp_path / "raters/answers.csv")
    assert [row["graph"] for row in rows] == [entry["graph"] for entry in key["graphs"]]
    filled = [
        {"rater": "R9", "graph": entry["graph"], "start": entry["start"], "comment": "clear"}
        for entry in key["graphs"]
    ]
    (tmp_path / "filled.csv").write_text(csv_text(filled), encoding="utf-8")
    (test,) = masked_test(key, read_answers(tmp_path / "filled.csv"))
    assert test.p_value == pytest.approx(1 / 1944)


def test_the_key_may_not_lie_with_the_graphs(tmp_path):
    with pytest.raises(ValueError, match="key_to must not lie in the folder that others get"):
        write_masked(
            DEMO / "records", to=tmp_path / "raters", key_to=tmp_path / "raters/key.json",
            plan=DEMO / "plan.json", today=TODAY,
        )  # fmt: skip
    assert not list(tmp_path.iterdir())


def test_answers_need_their_key_and_their_columns(tmp_path):
    with pytest.raises(ValueError, match="must be given together"):
        read_study(DEMO / "records", answers=DEMO / "masked_answers.csv", today=TODAY)
    (tmp_path / "answers.csv").write_text("rater;start\nR1;4\n")
    with pytest.raises(ValueError, match="missing: graph"):
        read_answers(tmp_path / "answers.csv")
    with pytest.raises(ValueError, match="not a plan written by this program"):
        read_study(DEMO / "records", plan=DEMO / "masked_answers.csv", today=TODAY)


def test_no_date_of_a_session_stands_in_the_manuscript(word):
    cells = [cell.text for table in word.tables for row in table.rows for cell in row.cells]
    assert not re.search(r"20\d\d-\d\d-\d\d", "\n".join([text_of(word), *cells]))


@pytest.mark.parametrize("kind", ["one case", "two ladders", "two children", "changing criterion"])
def test_small_and_other_designs_have_a_report_that_says_what_it_cannot(tmp_path, kind):
    """Two cases and fewer have no model over cases; a changing criterion has a test of its own."""
    tables = before_with_two_ladders(tmp_path / "before")
    options = {
        "one case": {"kind": "random_start"},
        "two ladders": {},
        "two children": {},
        "changing criterion": {"kind": "changing_criterion", "criteria": (6, 4, 2), "fewest_per_phase": 4},
    }[kind]
    cases = {"two ladders": [("S01", "gangway"), ("S01", "net")], "two children": ["S02", "S03"]}
    plan = plan_study(
        tables, cases.get(kind, ["S02"]), design_id="X1", first_day=date(2026, 3, 2), **options
    )
    schedule = draw_schedule(plan, 5)
    (tmp_path / "records").mkdir()
    write_tables(rehearse(schedule, Scenario(), np.random.default_rng(8)), tmp_path / "records")
    (tmp_path / "plan.json").write_text(json.dumps(plan.as_dict()), encoding="utf-8")
    write_study(
        tmp_path / "records", to=tmp_path / "out", plan=tmp_path / "plan.json", today=TODAY, page=False
    )
    text = text_of(docx.Document(str(tmp_path / "out/study.docx")))
    assert "Two-level model: not estimated. A two-level model needs at least 3 cases" in text
    assert "Between-case effect (REML): not estimated." in text
    assert rerun_study(tmp_path / "out/study.zip").same
    if kind == "changing criterion":
        assert "Over all 165 permitted schedules, the mean distance of" in text
        assert "It does not say how far fear would have come down without criteria" in text
    else:
        assert f"all {plan.n_assignments:,} permitted assignments" in text
    if kind in ("one case", "two ladders"):
        assert "With one child, nothing is said about other children." in text


def before_with_two_ladders(folder):
    folder.mkdir()
    for file in (DEMO / "before").glob("*.csv"):
        (folder / file.name).write_bytes(file.read_bytes())
    with (folder / "plans.csv").open("a", encoding="utf-8") as stream:
        stream.write("S01,net,3,1,child,harbor\n")
    return read_caseload(folder, today=TODAY)


def test_a_study_recorded_at_the_lowest_level_has_the_same_test(tmp_path, study_inputs):
    """One row a child and week, without trials: same ratings, same p, and less is known."""
    source = read_caseload(DEMO / "records", today=TODAY).tables
    trials = source["observations"]
    ratings = [
        {
            "child_id": trials["child_id"][i],
            "ladder_id": "gangway",
            "date": trials["date"][i].astype(object),
            "phase": "exposure"
            if trials["date"][i] >= start_of(source, trials["child_id"][i])
            else "baseline",
            "rating": None if trials["outcome"][i] == "declined" else float(trials["fear_peak"][i]),
            "declined": bool(trials["outcome"][i] == "declined"),
            "rated_by": "child",
        }
        for i in range(len(trials))
    ]
    write_tables({"ratings": ratings}, tmp_path)
    (tmp_path / "children.csv").write_bytes((DEMO / "records/children.csv").read_bytes())
    level_1 = read_study(tmp_path, plan=DEMO / "plan.json", today=TODAY)
    assert level_1.result.study.caseload.level == 1
    assert level_1.result.test.p_value == study_inputs.result.test.p_value
    write_study(tmp_path, to=tmp_path / "out", plan=DEMO / "plan.json", today=TODAY, page=False)
    text = text_of(docx.Document(str(tmp_path / "out/study.docx")))
    assert "agreement cannot be said" in text
    assert "Procedural fidelity was not recorded." in text


def start_of(tables, child):
    phases = tables["phases"]
    return phases["starts_on"][(phases["child_id"] == child) & (phases["phase"] == "exposure")][0]
