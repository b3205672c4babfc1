"""The command line: parse, call one function, print its answer, give an exit code."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from typing import Any, NoReturn

DONE, WRONG_CALL, DATA_PROBLEMS, NOT_ENOUGH_DATA = 0, 2, 3, 4

EXIT_CODES = """\
exit codes:
  0  done
  2  the call was wrong (a misspelled option, a file that is not there)
  3  the data have problems: `check` found errors, or nothing can be used
  4  the data are sound but too few to answer
"""


def build_parser() -> argparse.ArgumentParser:
    """Describe every command; the reference page of the documentation is printed from this."""
    parser = argparse.ArgumentParser(
        prog="rungwise",
        description="Does graded exposure bring a child's fear of movement down, and is it the program?",
        epilog=EXIT_CODES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="store_true", help="print the version and stop")
    commands = parser.add_subparsers(metavar="COMMAND", title="commands")

    check = _command(commands, "check", _check, "list everything wrong in a practice's files, in one pass")
    check.add_argument(
        "path", type=Path, metavar="PATH", help="a folder of CSV files, one CSV file or a workbook"
    )
    check.add_argument(
        "--every", action="store_true", help="print every row, also where many share one problem"
    )
    check.add_argument("--csv", type=Path, metavar="FILE", help="also write the list as a CSV file")
    check.add_argument(
        "--mark",
        type=Path,
        metavar="FILE",
        help="also write a copy as a workbook in which every problem is marked and explained (.xlsx)",
    )
    _today(check)

    child = _command(
        commands, "child", _child, "say whether one child's fear came down, and how sure that is"
    )
    child.add_argument(
        "path", type=Path, metavar="PATH", help="a folder of CSV files, one CSV file or a workbook"
    )
    child.add_argument(
        "child", nargs="?", metavar="CHILD", help="the child's code; not needed where there is one child"
    )
    child.add_argument(
        "--report",
        action="store_true",
        help="also write the answer as a page, and as two sheets, one for the family and one for the file",
    )
    child.add_argument(
        "--outcome",
        metavar="WORD",
        help="what was rated; needed only where there are several and none is fear",
    )
    _paper(child)
    child.add_argument(
        "--lang", choices=("en", "es"), default="en", help="language of the pages (default: en)"
    )
    _destination(child, "out/child_CHILD")
    _today(child)

    audit = _command(commands, "audit", _audit, "write a quarter's outcome audit for the whole caseload")
    audit.add_argument("path", type=Path, metavar="PATH", help="a folder of CSV files or a workbook")
    audit.add_argument("--quarter", required=True, metavar="QUARTER", help="for example 2026Q3")
    audit.add_argument(
        "--edition",
        choices=("practice", "sharing"),
        default="practice",
        help="practice: all detail by code, confidential; sharing: no child, no small number",
    )
    audit.add_argument(
        "--last-shared",
        type=Path,
        metavar="FILE",
        help="the JSON of the edition shared last, so that the two together give no small number away",
    )
    audit.add_argument(
        "--earlier",
        type=Path,
        metavar="PATH",
        help="an earlier audit.json, or a folder of them, to hold this audit against",
    )
    audit.add_argument("--pdf", action="store_true", help="also write the page as a PDF (needs a browser)")
    _destination(audit, "out/audit_QUARTER")
    _today(audit)

    pool = _command(commands, "pool", _pool, "add up the editions for sharing of several clinics")
    pool.add_argument(
        "files", nargs="+", type=Path, metavar="FILE", help="shared_audit.json of each clinic"
    )
    pool.add_argument("--json", type=Path, metavar="FILE", help="also write the result as JSON")

    workbook = _command(commands, "workbook", _workbook, "write a blank workbook to record in")
    workbook.add_argument("file", type=Path, metavar="FILE", help="the workbook to write (.xlsx)")
    workbook.add_argument(
        "--level",
        type=int,
        choices=(1, 2, 3),
        default=1,
        help="1: a rating a week; 2: ladders, plans, trials, incidents; 3: everything (default: 1)",
    )

    sheet = _command(commands, "sheet", _sheet, "write a recording sheet to print, on one page")
    sheet.add_argument(
        "path", nargs="?", type=Path, metavar="PATH", help="the caseload; not needed with --blank"
    )
    sheet.add_argument("child", nargs="?", metavar="CHILD", help="the child's code")
    sheet.add_argument(
        "--blank", action="store_true", help="without a child: every line is left to fill in"
    )
    sheet.add_argument(
        "--kind",
        choices=("probe", "approach", "practice", "home", "observer"),
        default="probe",
        help="what is recorded on it (default: probe)",
    )
    sheet.add_argument(
        "--ladder", metavar="CODE", help="the ladder; needed only where the child has several"
    )
    sheet.add_argument(
        "--probe-step", type=int, metavar="STEP", help="the probe step, where there are several"
    )
    sheet.add_argument(
        "--level", type=int, choices=(1, 2, 3), help="recording level (default: that of the files)"
    )
    _paper(sheet)
    _destination(sheet, "out")
    _today(sheet)

    lab = _command(commands, "lab", _lab, "open the page on which everything is done without code")
    lab.add_argument(
        "folder", nargs="?", type=Path, metavar="FOLDER", help="working folder (default: ~/rungwise)"
    )
    lab.add_argument("--no-browser", action="store_true", help="print the address instead of opening it")
    lab.add_argument("--port", type=int, default=8888, help="port tried first (default: 8888)")
    lab.add_argument(
        "--lang", choices=("en", "es"), default="en", help="language of the page (default: en)"
    )

    plan = _command(commands, "plan", _plan, "plan a single-case study, and draw and seal its starts")
    plan.add_argument("path", type=Path, metavar="PATH", help="the caseload")
    plan.add_argument(
        "--cases",
        required=True,
        metavar="CODES",
        help="children, as in C1,C2/net (child/ladder where several)",
    )
    plan.add_argument("--design", required=True, metavar="ID", help="a code for the study")
    plan.add_argument("--first-day", required=True, metavar="DATE", help="first occasion, as in 2027-01-11")
    plan.add_argument(
        "--kind",
        choices=("multiple_baseline", "random_start", "changing_criterion"),
        default="multiple_baseline",
        help="design (default: multiple_baseline)",
    )
    plan.add_argument("--occasions", type=int, metavar="N", help="occasions of every case")
    plan.add_argument("--days-apart", type=int, metavar="N", help="days from one occasion to the next")
    plan.add_argument("--width", type=int, metavar="N", help="possible starts in each window")
    plan.add_argument(
        "--criteria", default="", metavar="LIST", help="criteria of a changing criterion, as in 6,4,2"
    )
    plan.add_argument(
        "--sealed-to",
        type=Path,
        metavar="FOLDER",
        help="where the drawn schedule goes, for the person who assigns",
    )
    plan.add_argument("--seed", type=int, metavar="N", help="seed of the draw (default: a secret one)")
    plan.add_argument(
        "--enter", action="store_true", help="also enter the rows into plans.csv of the caseload"
    )
    plan.add_argument("--question", default="", metavar="TEXT", help="the research question, for the plan")
    _destination(plan, "nowhere: the plan is only printed, and nothing is drawn")
    _today(plan)

    study = _command(commands, "study", _study, "write a study's report, or run one again from its archive")
    study.add_argument(
        "path", nargs="?", type=Path, metavar="PATH", help="the caseload; not needed with --rerun"
    )
    study.add_argument("--plan", type=Path, metavar="FILE", help="plan.json, as written by `rungwise plan`")
    study.add_argument(
        "--schedule", type=Path, metavar="FILE", help="schedule.json, opened after the study"
    )
    study.add_argument("--design", metavar="ID", help="the study's code, where plans holds several")
    study.add_argument("--masked", action="store_true", help="write masked graphs for raters instead")
    study.add_argument(
        "--key-to", type=Path, metavar="FILE", help="where the key of the masked graphs goes"
    )
    study.add_argument("--answers", type=Path, metavar="FILE", help="the raters' answers, with --key")
    study.add_argument("--key", type=Path, metavar="FILE", help="the key of the masked graphs")
    study.add_argument(
        "--seed", type=int, default=1, metavar="N", help="seed of drawn assignments (default: 1)"
    )
    study.add_argument(
        "--rerun", type=Path, metavar="FILE", help="study.zip: compute its numbers again and compare"
    )
    _paper(study)
    _destination(study, "out/study")
    _today(study)

    describe = _command(commands, "describe", _describe, "write the data dictionary as a page")
    describe.add_argument("file", type=Path, metavar="FILE", help="the page to write (.html)")
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and give its exit code; never a traceback for what a person can mend."""
    parser = build_parser()
    options = parser.parse_args(arguments)
    if options.version:
        from rungwise import __version__

        print(f"rungwise {__version__}")
        return DONE
    if not hasattr(options, "run"):
        parser.print_help()
        return WRONG_CALL
    return _run(options.run, options)


def _run(command: Callable[[argparse.Namespace], int], options: argparse.Namespace) -> int:
    from rungwise.basis.errors import DataProblems, NotEnoughData, RungwiseError

    try:
        if getattr(options, "path", None) is not None and not os.path.lexists(options.path):
            raise ValueError(f"{options.path}: there is no file or folder of this name.")
        return command(options)
    except DataProblems as error:
        from rungwise.tables.problem_text import report_lines

        said = all(problem.problem in str(error) for problem in error.report)
        _say(str(error), *([] if said else report_lines(error.report)))
        return DATA_PROBLEMS
    except NotEnoughData as error:
        _say(str(error))
        return NOT_ENOUGH_DATA
    except (RungwiseError, ValueError, FileExistsError) as error:
        _say(str(error))
        return WRONG_CALL
    except BrokenPipeError:
        # Whoever read the output has seen enough (``| head``); nothing is left to say to them.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except OSError as error:
        _say(_file_sentence(error))
        return WRONG_CALL
    except KeyboardInterrupt:
        _say("Stopped; nothing was written.")
        return WRONG_CALL


def _check(options: argparse.Namespace) -> int:
    from rungwise.series.caseload import check
    from rungwise.tables.problem_text import report_lines, write_csv

    report = check(options.path, today=options.today)
    if options.csv:
        write_csv(report, options.csv)
    print(*report_lines(report, every=options.every), sep="\n")
    if options.mark:
        from rungwise.tables.marked import write_marked_copy

        print(f"\nWritten: {write_marked_copy(options.path, report, options.mark)}")
    return DONE if report.ok else DATA_PROBLEMS


def _child(options: argparse.Namespace) -> int:
    from rungwise.series.caseload import read_caseload
    from rungwise.single_case.answer_text import answer_lines
    from rungwise.single_case.child_answer import child_answer, which_child

    caseload = read_caseload(options.path, today=options.today)
    answer = child_answer(caseload, which_child(caseload, options.child), options.outcome)
    print(*answer_lines(answer), sep="\n")
    if options.report:
        _write_child_pages(options, answer.child_id)
    return NOT_ENOUGH_DATA if answer.verdict.code == "too_few" else DONE


def _write_child_pages(options: argparse.Namespace, child_id: str) -> None:
    from rungwise.reports.child_report import write_child_report, write_family_report
    from rungwise.reports.pdf import find_browser

    about: dict[str, Any] = {
        "to": options.to or Path("out") / f"child_{child_id}",
        "outcome": options.outcome,
        "overwrite": options.overwrite,
        "today": options.today,
        "paper": options.paper,
        "lang": options.lang,
    }
    browser = find_browser() is not None
    written = write_child_report(options.path, child_id, **about)
    written += write_family_report(options.path, child_id, pdf=browser, **about)
    print("", *(f"Written: {file}" for file in written), sep="\n")
    if not browser:
        print("No browser was found to write the PDF; open the sheets in any browser and print them.")


def _audit(options: argparse.Namespace) -> int:
    import json

    from rungwise.basis.page_numbers import count_of
    from rungwise.reports.audit_report import write_audit

    _check_last_shared(options.last_shared)
    folder = options.to or Path("out") / f"audit_{options.quarter}"
    written = write_audit(
        options.path,
        options.quarter,
        to=folder,
        overwrite=options.overwrite,
        today=options.today,
        edition=options.edition,
        last_shared=options.last_shared,
        earlier=options.earlier,
        pdf=options.pdf,
    )
    (page,) = (file for file in written if file.suffix == ".html")
    result = json.loads(page.with_suffix(".json").read_text(encoding="utf-8"))
    print(*(sentence for sentence in (result["answer"], result["uncertainty"]) if sentence), sep="\n")
    if result.get("set_aside"):
        print(f"{count_of(len(result['set_aside']), 'row')} set aside; `rungwise check` lists them.")
    print(f"\nWritten: {page}\nand {count_of(len(written) - 1, 'more file')} in {folder}.")
    judged = result["verdicts"][0]["n"] if result["verdicts"] else 0
    return DONE if judged or options.edition == "sharing" else NOT_ENOUGH_DATA


def _check_last_shared(file: Path | None) -> None:
    import json

    if file is None:
        return
    try:
        json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        raise ValueError(
            f"--last-shared must name the JSON file of an edition for sharing (shared_audit.json); "
            f"{file} is none."
        ) from None


def _sheet(options: argparse.Namespace) -> int:
    from rungwise.reports.sheet import printing_words, write_sheet

    if options.path is None and not options.blank:
        raise ValueError("Name the caseload and the child, or ask for a --blank sheet.")
    written = write_sheet(
        options.path,
        options.child,
        to=options.to or Path("out"),
        kind=options.kind,
        paper=options.paper,
        ladder_id=options.ladder,
        probe_step=options.probe_step,
        level=options.level,
        blank=options.blank,
        overwrite=options.overwrite,
        today=options.today,
    )
    print(*(f"Written: {file}" for file in written), sep="\n")
    if words := printing_words(written, options.paper):
        print(words)
    return DONE


def _lab(options: argparse.Namespace) -> int:
    from rungwise.reports.lab import open_lab

    return open_lab(
        options.folder, browser=not options.no_browser, port=options.port, lang=options.lang, say=print
    )


def _plan(options: argparse.Namespace) -> int:
    from rungwise.reports.plan_page import plan_of
    from rungwise.reports.plan_report import write_plan
    from rungwise.series.caseload import read_caseload

    about: dict[str, Any] = {
        "design_id": options.design,
        "first_day": options.first_day,
        "kind": options.kind,
    }
    for name in ("occasions", "days_apart", "width"):
        if getattr(options, name) is not None:
            about[name] = getattr(options, name)
    if options.criteria:
        about["criteria"] = options.criteria
    if options.to is None:
        caseload = read_caseload(options.path, today=options.today)
        print(*plan_of(caseload, options.cases, **about).plan.announcement(), sep="\n")
        return DONE
    if options.sealed_to is None:
        raise ValueError(
            "--to needs --sealed-to: the schedule is for the person who assigns, and for nobody else."
        )
    if options.question:
        about["question"] = options.question
    written = write_plan(
        options.path,
        options.cases,
        to=options.to,
        sealed_to=options.sealed_to,
        seed=options.seed,
        enter=options.enter,
        overwrite=options.overwrite,
        today=options.today,
        **about,
    )
    print(*(f"Written: {file}" for file in written), sep="\n")
    return DONE


def _study(options: argparse.Namespace) -> int:
    if options.rerun:
        from rungwise.reports.rerun import rerun_study

        again = rerun_study(options.rerun)
        print(*again.lines(), sep="\n")
        return DONE if again.same else DATA_PROBLEMS
    if options.path is None:
        raise ValueError("Name the caseload, or an archive with --rerun.")
    from rungwise.reports.study_report import write_masked, write_study

    shared: dict[str, Any] = {
        "to": options.to or Path("out") / ("study_masked" if options.masked else "study"),
        "plan": options.plan,
        "design_id": options.design,
        "seed": options.seed,
        "overwrite": options.overwrite,
        "today": options.today,
    }
    if options.masked:
        if options.key_to is None:
            raise ValueError(
                "--masked needs --key-to: a file apart from the graphs, for whoever keeps the key."
            )
        written = write_masked(options.path, key_to=options.key_to, **shared)
    else:
        written = write_study(
            options.path,
            schedule=options.schedule,
            answers=options.answers,
            key=options.key,
            paper=options.paper,
            **shared,
        )
    print(*(f"Written: {file}" for file in written), sep="\n")
    return DONE


def _pool(options: argparse.Namespace) -> int:
    import json

    from rungwise.audit.pool import pool_files, pooled_document

    pooled = pool_files(options.files)
    print(pooled.answer, *pooled.sentences, "", *(f"- {caution}" for caution in pooled.cautions), sep="\n")
    if options.json:
        from rungwise.reports.write import write_files

        text = json.dumps(pooled_document(pooled), indent=2, ensure_ascii=False) + "\n"
        print(*(f"Written: {file}" for file in write_files({options.json: text})), sep="\n")
    return DONE


def _workbook(options: argparse.Namespace) -> int:
    from rungwise.tables.workbook import write_workbook

    print(f"Written: {write_workbook(options.file, options.level)}")
    return DONE


def _describe(options: argparse.Namespace) -> int:
    from rungwise.reports.write import write_files
    from rungwise.tables.dictionary import dictionary_html

    written = write_files({options.file: dictionary_html().encode("utf-8")})
    print(*(f"Written: {file}" for file in written), sep="\n")
    return DONE


def _command(
    commands: argparse._SubParsersAction[argparse.ArgumentParser],
    name: str,
    run: Callable[[argparse.Namespace], int],
    summary: str,
) -> argparse.ArgumentParser:
    command = commands.add_parser(name, help=summary, description=summary[0].upper() + summary[1:] + ".")
    command.set_defaults(run=run)
    return command


def _destination(command: argparse.ArgumentParser, default: str) -> None:
    command.add_argument(
        "--to", type=Path, metavar="FOLDER", help=f"folder to write to (default: {default})"
    )
    command.add_argument(
        "--overwrite", action="store_true", help="replace an earlier report in that folder"
    )


def _paper(command: argparse.ArgumentParser) -> None:
    command.add_argument("--paper", choices=("A4", "letter"), default="A4", help="paper (default: A4)")


def _today(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--today",
        type=_date,
        metavar="DATE",
        help="the day to take as today, as in 2026-09-30 (default: today)",
    )


def _date(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"must be a date such as 2026-09-30; got {text!r}") from None


def _file_sentence(error: OSError) -> str:
    where = f"{error.filename}: " if error.filename else ""
    return f"{where}{error.strerror or error}. Nothing was written."


def _say(*lines: str) -> None:
    print(*lines, sep="\n", file=sys.stderr, flush=True)


def run() -> NoReturn:
    """Entry point of the installed command."""
    sys.exit(main())


if __name__ == "__main__":
    run()
