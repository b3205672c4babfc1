"""The command line: parse, call one function, print its answer, give an exit code."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, NoReturn

from rungwise.arguments import build_parser

DONE, WRONG_CALL, DATA_PROBLEMS, NOT_ENOUGH_DATA = 0, 2, 3, 4


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and give its exit code; never a traceback for what a person can mend."""
    parser = build_parser()
    options = parser.parse_args(arguments)
    if options.version:
        from rungwise import __version__

        print(f"rungwise {__version__}")
        return DONE
    if options.command is None:
        parser.print_help()
        return WRONG_CALL
    return _run(COMMANDS[options.command], options)


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
    if options.lang != "en":
        from rungwise.reports.printed_answer import answer_lines_in

        lines = answer_lines_in(answer, options.lang, caseload=caseload)
    else:
        beside: list[str] = []
        if "observations" in caseload.tables:
            from rungwise.ladders.child_lines import printed_lines

            beside = printed_lines(caseload, answer.child_id)
        lines = answer_lines(answer, beside)
    print(*lines, sep="\n")
    if options.report:
        _write_child_pages(options, answer.child_id)
    return NOT_ENOUGH_DATA if answer.verdict.code == "too_few" else DONE


def _write_child_pages(options: argparse.Namespace, child_id: str) -> None:
    from rungwise.reports.child_report import write_child_pages
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
    written = write_child_pages(options.path, child_id, pdf=browser, **about)
    print("", *(f"Written: {file}" for file in written), sep="\n")
    if not browser:
        print("No browser was found to write the PDF; open the sheets in any browser and print them.")


def _audit(options: argparse.Namespace) -> int:
    import json

    from rungwise.basis.page_numbers import count_of

    if options.files:
        if options.path is not None or options.quarter is not None:
            raise ValueError("--pool takes the editions of clinics alone: leave PATH and --quarter out.")
        given = {
            "--to": options.to, "--edition": options.edition != "practice", "--earlier": options.earlier,
            "--last-shared": options.last_shared, "--pdf": options.pdf,
        }  # fmt: skip
        if idle := [name for name, came in given.items() if came]:
            raise ValueError(
                f"--pool only prints the sums: leave {', '.join(idle)} out, or write them with "
                "`rungwise pool FILES --json FILE`."
            )
        return _pool(options)
    if options.path is None or options.quarter is None:
        raise ValueError("Name the caseload and its --quarter, or clinics' editions with --pool.")
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
    # A row may hold several errors, and an error may be about no row.
    aside = {
        (problem["source"], problem["table"], problem["row"])
        for problem in result.get("problems", ())
        if problem["severity"] == "error" and problem["row"]
    }
    if aside:
        print(f"{count_of(len(aside), 'row')} set aside; `rungwise check` lists them.")
    print(f"\nWritten: {page}\nand {count_of(len(written) - 1, 'more file')} in {folder}.")
    judged = result["verdicts"][0]["n"] if result.get("verdicts") else 0
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
        outcome=options.outcome,
        lang=options.lang,
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
        options.folder,
        browser=not options.no_browser,
        port=options.port,
        lang=options.lang,
        voila=options.voila,
        say=print,
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
    for name in ("occasions", "days_apart", "width", "statistic", "alternative", "alpha"):
        if getattr(options, name) is not None:
            about[name] = getattr(options, name)
    if options.criteria:
        about["criteria"] = options.criteria
    if options.to is None:
        if options.sealed_to is not None or options.enter:
            raise ValueError("--sealed-to and --enter need --to: without it nothing is drawn.")
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
    if options.rehearse:
        from rungwise.reports.plan_report import write_rehearsal

        written = write_rehearsal(
            options.rehearse,
            to=options.to or Path("out") / "rehearsal",
            seed=options.seed,
            overwrite=options.overwrite,
        )
        print(*(f"Written: {file}" for file in written), sep="\n")
        return DONE
    if options.path is None:
        raise ValueError("Name the caseload, an archive with --rerun, or a plan with --rehearse.")
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
        written = write_files({options.json: text}, overwrite=options.overwrite)
        print(*(f"Written: {file}" for file in written), sep="\n")
    return DONE


def _workbook(options: argparse.Namespace) -> int:
    from rungwise.tables.workbook import write_workbook

    print(f"Written: {write_workbook(options.file, options.level)}")
    return DONE


def _describe(options: argparse.Namespace) -> int:
    from rungwise.reports.write import write_files
    from rungwise.tables.dictionary import dictionary_html

    written = write_files({options.file: dictionary_html().encode("utf-8")}, overwrite=options.overwrite)
    print(*(f"Written: {file}" for file in written), sep="\n")
    return DONE


def _file_sentence(error: OSError) -> str:
    where = f"{error.filename}: " if error.filename else ""
    return f"{where}{error.strerror or error}. Nothing was written."


def _say(*lines: str) -> None:
    print(*lines, sep="\n", file=sys.stderr, flush=True)


COMMANDS = {
    "check": _check,
    "child": _child,
    "audit": _audit,
    "pool": _pool,
    "workbook": _workbook,
    "sheet": _sheet,
    "lab": _lab,
    "plan": _plan,
    "study": _study,
    "describe": _describe,
}


def run() -> NoReturn:
    """Entry point of the installed command."""
    sys.exit(main())


if __name__ == "__main__":
    run()
