"""The words of the command line: every command and option, with what it means."""

from __future__ import annotations

import argparse
from datetime import date
from pathlib import Path

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
    commands = parser.add_subparsers(metavar="COMMAND", title="commands", dest="command")

    check = _command(commands, "check", "list everything wrong in a practice's files, in one pass")
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

    child = _command(commands, "child", "say whether one child's fear came down, and how sure that is")
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
        "--lang",
        choices=("en", "es"),
        default="en",
        help="language of the answer and the pages (default: en)",
    )
    _destination(child, "out/child_CHILD")
    _today(child)

    audit = _command(commands, "audit", "write a quarter's outcome audit for the whole caseload")
    audit.add_argument(
        "path",
        nargs="?",
        type=Path,
        metavar="PATH",
        help="a folder of CSV files or a workbook; not needed with --pool",
    )
    audit.add_argument("--quarter", metavar="QUARTER", help="for example 2026Q3; not needed with --pool")
    audit.add_argument(
        "--pool",
        nargs="+",
        type=Path,
        dest="files",
        metavar="FILES",
        help="instead: add up the editions for sharing of several clinics, as `rungwise pool` does",
    )
    audit.set_defaults(json=None)
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

    pool = _command(commands, "pool", "add up the editions for sharing of several clinics")
    pool.add_argument(
        "files", nargs="+", type=Path, metavar="FILE", help="shared_audit.json of each clinic"
    )
    pool.add_argument("--json", type=Path, metavar="FILE", help="also write the result as JSON")
    _overwrite(pool)

    workbook = _command(commands, "workbook", "write a blank workbook to record in")
    workbook.add_argument("file", type=Path, metavar="FILE", help="the workbook to write (.xlsx)")
    workbook.add_argument(
        "--level",
        type=int,
        choices=(1, 2, 3),
        default=1,
        help="1: a rating a week; 2: ladders, plans, trials, incidents; 3: everything (default: 1)",
    )

    sheet = _command(commands, "sheet", "write a recording sheet to print, on one page")
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
    sheet.add_argument(
        "--outcome",
        metavar="WORD",
        default="fear",
        help="what is rated; another than fear has the weekly sheets (kind probe or home)",
    )
    sheet.add_argument(
        "--lang", choices=("en", "es"), default="en", help="language of a home sheet (default: en)"
    )
    _paper(sheet)
    _destination(sheet, "out")
    _today(sheet)

    lab = _command(commands, "lab", "open the page on which everything is done without code")
    lab.add_argument(
        "folder", nargs="?", type=Path, metavar="FOLDER", help="working folder (default: ~/rungwise)"
    )
    lab.add_argument("--no-browser", action="store_true", help="print the address instead of opening it")
    lab.add_argument("--port", type=int, default=8888, help="port tried first (default: 8888)")
    lab.add_argument(
        "--voila", action="store_true", help="show the page by itself, with Voila (an optional extra)"
    )
    lab.add_argument(
        "--lang", choices=("en", "es"), default="en", help="language of the page (default: en)"
    )

    plan = _command(commands, "plan", "plan a single-case study, and draw and seal its starts")
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
        "--statistic",
        choices=("mean_difference", "tau", "immediate_change"),
        help="what the randomization test compares; power is simulated for each (default: mean_difference)",
    )
    plan.add_argument(
        "--alternative",
        choices=("improvement", "worsening", "two-sided"),
        help="direction tested, stated beforehand (default: improvement)",
    )
    plan.add_argument("--alpha", type=float, metavar="P", help="level of the test (default: 0.05)")
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

    study = _command(commands, "study", "write a study's report, or run one again from its archive")
    study.add_argument(
        "path",
        nargs="?",
        type=Path,
        metavar="PATH",
        help="the caseload; not needed with --rerun or --rehearse",
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
        "--rehearse",
        type=Path,
        metavar="FILE",
        help="plan.json: write simulated records of it, to try the analysis before anyone begins",
    )
    study.add_argument(
        "--rerun", type=Path, metavar="FILE", help="study.zip: compute its numbers again and compare"
    )
    _paper(study)
    _destination(study, "out/study")
    _today(study)

    describe = _command(commands, "describe", "write the data dictionary as a page")
    describe.add_argument("file", type=Path, metavar="FILE", help="the page to write (.html)")
    _overwrite(describe)
    return parser


def _command(
    commands: argparse._SubParsersAction[argparse.ArgumentParser],
    name: str,
    summary: str,
) -> argparse.ArgumentParser:
    return commands.add_parser(name, help=summary, description=summary[0].upper() + summary[1:] + ".")


def _destination(command: argparse.ArgumentParser, default: str) -> None:
    command.add_argument(
        "--to", type=Path, metavar="FOLDER", help=f"folder to write to (default: {default})"
    )
    _overwrite(command, "an earlier report in that folder")


def _overwrite(command: argparse.ArgumentParser, what: str = "a file of that name") -> None:
    command.add_argument("--overwrite", action="store_true", help=f"replace {what}")


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
