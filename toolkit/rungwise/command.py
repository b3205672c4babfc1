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
    child.add_argument(
        "--paper", choices=("A4", "Letter"), default="A4", help="paper of the sheets (default: A4)"
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
    audit.add_argument("--pdf", action="store_true", help="also write the page as a PDF (needs a browser)")
    _destination(audit, "out/audit_QUARTER")
    _today(audit)

    workbook = _command(commands, "workbook", _workbook, "write a blank workbook to record in")
    workbook.add_argument("file", type=Path, metavar="FILE", help="the workbook to write (.xlsx)")
    workbook.add_argument(
        "--level",
        type=int,
        choices=(1, 2, 3),
        default=1,
        help="1: a rating a week; 2: ladders, plans, trials, incidents; 3: everything (default: 1)",
    )

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
        if "path" in options and not os.path.lexists(options.path):
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
