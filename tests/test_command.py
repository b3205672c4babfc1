"""The command line as a person meets it: answers, exit codes, never a traceback."""

import contextlib
import io
import json
import os
import subprocess
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from rungwise.command import main

ROOT = Path(__file__).resolve().parent.parent
DEMO = ROOT / "data_demo"


@dataclass
class Run:
    """What a call of the command line gave."""

    returncode: int
    stdout: str
    stderr: str


def rungwise(*arguments: object, cwd: Path | None = None) -> Run:
    """Call the command line here; an error that it does not foresee fails the test."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), contextlib.chdir(cwd or "."):
        try:
            code = main([str(argument) for argument in arguments])
        except SystemExit as left:
            code = left.code
    return Run(code, out.getvalue(), err.getvalue())


def process(*arguments: object) -> subprocess.CompletedProcess:
    """Run the command line as a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "rungwise.command", *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONUTF8": "1"},
    )


@pytest.mark.parametrize("few", [False, True])
def test_the_process_says_and_returns_what_the_call_does(tmp_path, few):
    file = DEMO / "one_child.csv"
    if few:
        file = tmp_path / "few.csv"
        file.write_text("date,phase,rating\n2026-01-05,baseline,7\n2026-01-12,exposure,6\n")
    for arguments, code in (
        (["child", file], 4 if few else 0),
        (["child", file, "C999"], 2),
        (["dance"], 2),
    ):
        own, here = process(*arguments), rungwise(*arguments)
        assert own.returncode == here.returncode == code
        assert own.stdout == here.stdout
        assert own.stderr.split(":", 1)[-1] == here.stderr.split(":", 1)[-1]
        assert "Traceback" not in own.stderr


def test_one_child_is_answered_in_its_first_sentence():
    run = rungwise("child", DEMO / "one_child.csv")
    assert (run.returncode, run.stderr) == (0, "")
    first = run.stdout.splitlines()[0]
    assert first.startswith("Child's fear ") or "'s fear" in first
    for letter in "abc":
        assert f"({letter}) " in run.stdout
    assert run.stdout.rstrip().endswith(
        "A statistic informs; a clinician decides, together with the family."
    )


def test_a_child_of_the_practice_is_answered_by_code():
    run = rungwise("child", DEMO / "practice", "C014")
    assert run.returncode == 0, run.stderr
    assert "C014" in run.stdout.splitlines()[0]


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["child", "practice", "C999"], 2, "There is no child 'C999'"),
        (["child", "practice"], 2, "name one"),
        (["child", "nowhere.csv"], 2, "nowhere.csv"),
        (["audit", "practice", "--quarter", "2026Q5"], 2, "2026Q5"),
        (["check", "nowhere"], 2, "nowhere"),
        (["audit", "practice"], 2, "--quarter"),
        (["dance"], 2, "dance"),
        ([], 2, ""),
    ],
)
def test_a_wrong_call_says_what_is_wrong_and_exits_2(arguments, code, said):
    run = rungwise(*arguments, cwd=DEMO)
    assert run.returncode == code, run.stderr
    assert said in run.stderr
    assert "Traceback" not in run.stderr


def test_check_of_messy_files_lists_problems_and_exits_3():
    run = rungwise("check", DEMO / "messy")
    assert run.returncode == 3
    assert "set aside" in run.stdout.splitlines()[0]
    assert "Traceback" not in run.stderr


def test_check_of_sound_files_exits_0():
    run = rungwise("check", DEMO / "practice")
    assert run.returncode == 0, run.stdout


def test_check_writes_its_list_and_keeps_an_earlier_one(tmp_path):
    target = tmp_path / "problems.csv"
    assert rungwise("check", DEMO / "messy", "--csv", target).returncode == 3
    before = target.read_bytes()
    assert before.startswith(b"severity,table,source,row,column,value,code,problem,remedy")
    again = rungwise("check", DEMO / "messy", "--csv", target)
    assert again.returncode == 2
    assert "is there already" in again.stderr
    assert target.read_bytes() == before


def test_too_few_occasions_exit_4(tmp_path):
    few = tmp_path / "few.csv"
    few.write_text("date,phase,rating\n2026-01-05,baseline,7\n2026-01-12,exposure,6\n", encoding="utf-8")
    run = rungwise("child", few)
    assert run.returncode == 4
    assert "too few" in run.stdout.splitlines()[0].lower()


def test_a_file_with_nothing_usable_exits_3(tmp_path):
    bad = tmp_path / "bad.csv"
    bad.write_text("date,phase,rating\n2026-13-05,baseline,7\n2026-01-12,exposre,6\n", encoding="utf-8")
    run = rungwise("child", bad)
    assert run.returncode == 3
    assert "2026-13-05" in run.stderr
    assert "Traceback" not in run.stderr


def test_a_file_with_one_problem_is_refused_in_one_line(tmp_path):
    empty, picture = tmp_path / "empty.csv", tmp_path / "ladder.png"
    empty.write_bytes(b"")
    picture.write_bytes(b"\x89PNG\r\n")
    for path, said in ((empty, "The file is empty."), (picture, "This is a picture")):
        run = rungwise("child", path)
        assert (run.returncode, run.stdout) == (3, "")
        (line,) = run.stderr.splitlines()
        assert line.startswith(f"{path.name}: {said}")


def test_one_page_in_the_way_keeps_all_pages_from_being_written(tmp_path):
    family = tmp_path / "family_child.html"
    family.write_text("an earlier sheet", encoding="utf-8")
    run = rungwise("child", DEMO / "one_child.csv", "--report", "--to", tmp_path)
    assert run.returncode == 2
    assert "family_child.html" in run.stderr
    assert [path.name for path in tmp_path.iterdir()] == [family.name]


def test_an_audit_counts_a_row_with_several_errors_once(tmp_path):
    lines = ["child_id,date,phase,rating,declined"]
    lines += [f"C1,2026-07-{day:02},{'baseline' if day < 8 else 'exposure'},5," for day in range(1, 20)]
    (tmp_path / "ratings.csv").write_text("\n".join([*lines, "C1,2026-07-40,later,x,"]), encoding="utf-8")
    (tmp_path / "practice.toml").write_text("alpha = 5", encoding="utf-8")
    run = rungwise("audit", tmp_path, "--quarter", "2026Q3", "--to", tmp_path / "out")
    assert "1 row set aside; `rungwise check` lists them." in run.stdout


def test_a_report_is_not_overwritten_unasked(tmp_path):
    page = tmp_path / "page" / "child_child.html"
    page.parent.mkdir()
    page.write_text("an earlier report", encoding="utf-8")
    arguments = ["child", DEMO / "one_child.csv", "--report", "--to", page.parent]

    def refused():
        before = {path.name: path.read_bytes() for path in page.parent.iterdir()}
        run = rungwise(*arguments)
        assert run.returncode == 2
        assert "--overwrite" in run.stderr
        assert {path.name: path.read_bytes() for path in page.parent.iterdir()} == before
        return before

    assert len(refused()) == 1
    assert rungwise(*arguments, "--overwrite").returncode == 0
    assert "an earlier report" not in page.read_text(encoding="utf-8")
    assert len(refused()) >= 3


def test_a_printed_answer_imports_no_heavy_library():
    code = (
        "import sys; from rungwise.command import main; "
        f"main(['child', {str(DEMO / 'one_child.csv')!r}]); "
        "heavy = ('pandas', 'scipy', 'statsmodels', 'pandera', 'matplotlib', 'nbclient'); "
        "print('HEAVY', *[m for m in heavy if m in sys.modules])"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.splitlines()[-1].strip() == "HEAVY"


def test_help_imports_nothing_of_the_library():
    code = (
        "import sys\nimport rungwise.command as command\ncommand.build_parser().format_help()\n"
        "print(*sorted(m for m in sys.modules if m.startswith(('rungwise.', 'numpy'))))"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.split() == ["rungwise.arguments", "rungwise.command"]


def test_every_command_explains_itself():
    from rungwise.arguments import build_parser

    actions = [
        action for action in build_parser()._actions if hasattr(action, "choices") and action.choices
    ]
    (commands,) = actions
    for name, command in commands.choices.items():
        assert command.description, name
        for action in command._actions:
            assert action.help, f"{name} {action.option_strings or action.dest}"


def test_choices_are_those_of_the_library():
    from rungwise.arguments import build_parser
    from rungwise.basis.null_two_phase import ALTERNATIVES
    from rungwise.single_case.randomization import STATISTICS
    from rungwise.study.plan import KINDS

    (commands,) = (action for action in build_parser()._actions if action.dest == "command")
    plan = {action.dest: action.choices for action in commands.choices["plan"]._actions}
    assert set(plan["kind"]) == set(KINDS)
    assert set(plan["statistic"]) == set(STATISTICS)
    assert set(plan["alternative"]) == set(ALTERNATIVES)


def test_a_blank_workbook_is_written_once(tmp_path):
    book = tmp_path / "blank.xlsx"
    assert rungwise("workbook", book, "--level", 2).returncode == 0
    before = book.read_bytes()
    again = rungwise("workbook", book)
    assert again.returncode == 2
    assert "is there already" in again.stderr
    assert book.read_bytes() == before


def test_a_blank_workbook_filled_in_is_answered_without_editing_by_hand(tmp_path):
    import openpyxl

    book = tmp_path / "book.xlsx"
    assert rungwise("workbook", book).returncode == 0
    opened = openpyxl.load_workbook(book)
    sheet = opened["ratings"]
    header = {str(cell.value).split(" ")[0].lower(): cell.column for cell in sheet[1]}
    columns = {
        name: next(c for key, c in header.items() if key.startswith(name))
        for name in ("child", "date", "phase")
    }
    rating = next(cell.column for cell in sheet[1] if "rating" in str(cell.value).lower())
    ratings = [8, 7, 8, 9, 8, 7, 6, 5, 5, 4, 3, 3, 2, 2]
    for i, value in enumerate(ratings):
        row = 3 + i
        sheet.cell(row, columns["child"], "C1")
        sheet.cell(row, columns["date"], f"2026-{1 + i // 4:02d}-{1 + 7 * (i % 4):02d}")
        sheet.cell(row, columns["phase"], "baseline" if i < 6 else "exposure")
        sheet.cell(row, rating, value)
    opened.save(book)
    checked = rungwise("check", book)
    assert checked.returncode == 0, checked.stdout
    run = rungwise("child", book)
    assert run.returncode == 0, run.stderr
    assert "6 baseline occasions and 8 exposure occasions" in " ".join(run.stdout.split())


def test_a_marked_copy_leaves_the_original_alone(tmp_path):
    messy = DEMO / "messy" / "ratings.csv"
    before = messy.read_bytes()
    run = rungwise("check", messy, "--mark", tmp_path / "marked.xlsx")
    assert run.returncode == 3
    assert (tmp_path / "marked.xlsx").exists()
    assert messy.read_bytes() == before


def test_the_data_dictionary_is_a_page(tmp_path):
    assert rungwise("describe", tmp_path / "dictionary.html").returncode == 0
    page = (tmp_path / "dictionary.html").read_text(encoding="utf-8")
    for table in ("ratings", "observations", "incidents"):
        assert table in page
    again = rungwise("describe", tmp_path / "dictionary.html")
    assert again.returncode == 2
    assert "--overwrite" in again.stderr
    assert rungwise("describe", tmp_path / "dictionary.html", "--overwrite").returncode == 0


def test_an_audit_says_its_answer_and_where_it_is(demo_audits):
    run = Run(*json.loads((demo_audits / "practice.said.json").read_text(encoding="utf-8")).values())
    assert run.returncode == 0, run.stderr
    assert run.stdout.startswith("Fear fell in ")
    assert str(demo_audits / "practice" / "audit.html") in run.stdout
    again = rungwise(
        "audit", DEMO / "practice", "--quarter", "2026Q3", "--to", demo_audits / "practice"
    )  # fmt: skip
    assert again.returncode == 2
    assert "--overwrite" in again.stderr


def test_an_audit_without_anyone_judged_is_written_and_exits_4(tmp_path):
    run = rungwise("audit", DEMO / "one_child.csv", "--quarter", "2030Q1", "--to", tmp_path / "audit")
    assert run.returncode == 4
    assert (tmp_path / "audit" / "audit.html").exists()


def test_an_edition_for_sharing_says_its_answer_and_where_it_is(demo_audits):
    run = Run(*json.loads((demo_audits / "2026Q3.said.json").read_text(encoding="utf-8")).values())
    assert run.returncode == 0, run.stderr
    assert "Fear ratings fell in 18 of the 27 children judged in 2026Q3." in run.stdout
    assert str(demo_audits / "2026Q3" / "shared_audit.html") in run.stdout


def test_the_ladder_follows_the_answer_where_it_was_recorded(tmp_path):
    said = rungwise("child", DEMO / "practice", "C014").stdout
    assert "On the ladder" in said
    assert "mastered by the practice's own criterion" in said
    assert "On the ladder" not in rungwise("child", DEMO / "practice_level_1", "C014").stdout


def test_an_edition_shared_last_must_be_one(tmp_path):
    other = tmp_path / "other.json"
    other.write_text("not json", encoding="utf-8")
    for file in (other, tmp_path / "none.json"):
        run = rungwise(
            "audit", DEMO / "practice", "--quarter", "2026Q3", "--edition", "sharing",
            "--last-shared", file, "--to", tmp_path / "audit",
        )  # fmt: skip
        assert run.returncode == 2
        assert run.stderr.startswith("--last-shared must name the JSON file")
    assert not (tmp_path / "audit").exists()


def test_a_plan_is_printed_and_nothing_is_drawn(tmp_path):
    before = DEMO / "study" / "before"
    run = rungwise(
        "plan",
        before,
        "--cases",
        "S01,S02,S03",
        "--design",
        "boat",
        "--first-day",
        "2027-01-11",
        cwd=tmp_path,
    )
    assert run.returncode == 0, run.stderr
    assert "162 assignments. The smallest attainable p (improvement) is p = .006" in run.stdout
    assert list(tmp_path.iterdir()) == []


def test_a_plan_states_the_test_it_will_use(tmp_path):
    run = rungwise(
        "plan", DEMO / "study" / "before", "--cases", "S01,S02,S03", "--design", "boat",
        "--first-day", "2027-01-11", "--statistic", "immediate_change", "--alternative", "two-sided",
        "--alpha", "0.1", cwd=tmp_path,
    )  # fmt: skip
    assert run.returncode == 0, run.stderr
    assert "162 assignments. The smallest attainable p (two-sided) is p = .012" in run.stdout
    wrong = rungwise(
        "plan", DEMO / "study" / "before", "--cases", "S01,S02,S03", "--design", "boat",
        "--first-day", "2027-01-11", "--alpha", "5", cwd=tmp_path,
    )  # fmt: skip
    assert wrong.returncode == 2
    assert wrong.stderr.startswith("alpha must be a number between 0 and 1; got 5")


@pytest.mark.parametrize("option", [("--sealed-to", "sealed"), ("--enter",)])
def test_what_only_a_drawn_plan_takes_is_refused_where_nothing_is_drawn(tmp_path, option):
    run = rungwise(
        "plan", DEMO / "study" / "before", "--cases", "S01,S02,S03", "--design", "boat",
        "--first-day", "2027-01-11", *option, cwd=tmp_path,
    )  # fmt: skip
    assert (run.returncode, run.stdout) == (2, "")
    assert run.stderr == "--sealed-to and --enter need --to: without it nothing is drawn.\n"


def test_a_pooled_audit_says_what_it_cannot_use(tmp_path):
    run = rungwise("audit", "--pool", tmp_path / "a.json", "--to", tmp_path / "out", "--pdf")
    assert run.returncode == 2
    assert "leave --to, --pdf out" in run.stderr


def test_a_plan_is_not_written_without_a_place_for_the_sealed_schedule(tmp_path):
    run = rungwise(
        "plan", DEMO / "study" / "before", "--cases", "S01,S02,S03", "--design", "boat",
        "--first-day", "2027-01-11", "--to", tmp_path / "open",
    )  # fmt: skip
    assert run.returncode == 2
    assert "--sealed-to" in run.stderr
    assert not (tmp_path / "open").exists()


def test_a_study_is_reported_and_its_archive_gives_the_same_numbers(tmp_path):
    study = DEMO / "study"
    run = rungwise(
        "study", study / "records", "--plan", study / "plan.json", "--schedule", study / "schedule.json",
        "--to", tmp_path / "study",
    )  # fmt: skip
    assert run.returncode == 0, run.stderr
    assert (tmp_path / "study" / "study.docx").exists()
    again = rungwise("study", "--rerun", tmp_path / "study" / "study.zip")
    assert (again.returncode, again.stderr) == (0, "")
    assert "numbers are the same" in again.stdout


def test_a_plan_is_rehearsed_up_to_the_report(tmp_path):
    written = rungwise(
        "plan", DEMO / "study" / "before", "--cases", "S01,S02,S03", "--design", "boat",
        "--first-day", "2027-01-11", "--to", tmp_path / "plan", "--sealed-to", tmp_path / "sealed",
    )  # fmt: skip
    assert written.returncode == 0, written.stderr
    plan = tmp_path / "plan" / "plan.json"
    rehearsed = rungwise("study", "--rehearse", plan, "--to", tmp_path / "rehearsal")
    assert rehearsed.returncode == 0, rehearsed.stderr
    run = rungwise(
        "study", tmp_path / "rehearsal" / "records", "--plan", plan, "--schedule",
        tmp_path / "rehearsal" / "schedule.json", "--today", "2027-06-30", "--to", tmp_path / "trial",
    )  # fmt: skip
    assert run.returncode == 0, run.stderr
    assert (tmp_path / "trial" / "study.docx").exists()


@pytest.mark.parametrize("arguments", [["study"], ["sheet"], ["study", "data", "--masked"]])
def test_what_a_command_lacks_is_named(arguments, tmp_path):
    (tmp_path / "data").mkdir()
    run = rungwise(*arguments, cwd=tmp_path)
    assert run.returncode == 2
    assert "Name the caseload" in run.stderr or "--key-to" in run.stderr


def test_a_blank_sheet_needs_no_files(tmp_path):
    run = rungwise("sheet", "--blank", "--level", 1, "--to", tmp_path)
    assert run.returncode == 0, run.stderr
    assert list(tmp_path.glob("*.html"))


def test_only_editions_for_sharing_are_pooled(tmp_path):
    other = tmp_path / "other.json"
    other.write_text("{}", encoding="utf-8")
    run = rungwise("pool", other, other)
    assert run.returncode == 2
    assert "Traceback" not in run.stderr


def test_both_ways_to_pool_give_one_answer(tmp_path):
    import rungwise as rw
    from rungwise.audit.sharing import share, shared_document

    caseload = rw.read_caseload(DEMO / "practice")
    audit = rw.audit_quarter(caseload, "2026Q3", today="2026-10-20")
    files = []
    for site in ("North", "South"):
        files.append(tmp_path / f"{site}.json")
        document = shared_document(share(replace(audit, label=site), caseload.practice))
        files[-1].write_text(json.dumps(document), encoding="utf-8")
    pooled, audited = rungwise("pool", *files), rungwise("audit", "--pool", *files)
    assert pooled.returncode == audited.returncode == 0, audited.stderr
    assert f" of {2 * int(audit.headline.n)} children judged in 2026Q3" in pooled.stdout
    assert audited.stdout == pooled.stdout


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--quarter", "2026Q3"], "--pool"),
        (["PATH", "--quarter", "2026Q3", "--pool", "x.json"], "leave PATH"),
    ],
)
def test_an_audit_says_what_it_needs(tmp_path, arguments, said):
    run = rungwise("audit", *(tmp_path if word == "PATH" else word for word in arguments))
    assert run.returncode == 2
    assert said in run.stderr
