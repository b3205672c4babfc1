"""Write the messy demo files: invented, with everything wrong that real spreadsheets go wrong with.

Run it in the top folder of the checkout:

    python data_demo/make_messy.py

Each planted problem stands beside the line it is planted in, and from there it goes to
``messy_expected_problems.csv`` beside the folder. Rows that errors set aside are listed in
``messy_expected_set_aside.csv``; every other row is sound and must be used.
"""

from __future__ import annotations

import csv
import sys
from collections.abc import Sequence
from pathlib import Path

from messy_files import SECOND_COPY, UNREADABLE, misnamed, workbook
from messy_level_3 import LEVEL_3
from messy_lines import Line, bad, good, odd

RATINGS: list[Line] = [
    odd("Fear log of the north site - invented,,,,,,,,,", ("", "rows_above_header")),
    good(",,,,,,,,,"),
    odd(
        "Child,Ladder,Date,Phase,Fear (0-10),Declined,Rated by,Notes,Mood,Parent phone",
        ("Mood", "column_unknown"),
        ("Parent phone", "identity_column"),
    ),
    # C001: a whole series without a fault, in the spellings people use.
    good("C001,gangway,2026-03-02,Baseline,8,,child,,,"),
    good("C001,gangway,2026-03-09,A,7,no,child,,,"),
    good("C001,gangway,2026-03-16,base line,8 ,,child,,,"),
    good("C001,gangway,2026-03-23,B,6.5,,child,windy,,"),
    good("C001,gangway,2026-03-30,exposure,,yes,child,,,"),
    good("C001,gangway,2026-04-06,intervention,Refused,,child,,,"),
    good("C001,gangway,2026-04-13,EXPOSURE,no way!,,child,,,"),
    good("C001,gangway,2026-04-20,exposure,missed,,child,,,"),
    good("C001,gangway,2026-04-27,exposure,4,,child,,,"),
    good("C001,gangway,2026-10-05,follow-up,2,,child,,,"),
    good(",,,,,,,,,"),
    # C002: one wrong thing a row.
    good("C002,dinghy,2026-03-02,baseline,9,,child,,,"),
    odd("c002 ,dinghy,2026-03-09,baseline,8,,child,,,", ("Child", "code_respelled")),
    odd('C002,dinghy,2026-03-16,baseline,"7,5",,child,,,', ("Fear (0-10)", "decimal_comma")),
    bad("C002,dinghy,2026-03-23,baselin,7,,child,,,", ("Phase", "word_unknown")),
    bad("C002,dinghy,2026-03-30,exposure,7/10,,child,,,", ("Fear (0-10)", "number_unreadable")),
    bad("C002,dinghy,2026-04-06,exposure,65,,child,,,", ("Fear (0-10)", "rating_off_scale")),
    bad("C002,dinghy,2026-04-31,exposure,6,,child,,,", ("Date", "date_unreadable")),
    bad("C002,dinghy,2026-12-07,exposure,6,,child,,,", ("Date", "date_future")),
    bad("C002,dinghy,,exposure,6,,child,,,", ("Date", "time_missing")),
    odd("C002,dinghy,2026-04-20,exposure,,,child,,,", ("Fear (0-10)", "rating_blank")),
    odd("C002,dinghy,2026-04-27,exposure,5,yes,child,,,", ("Fear (0-10)", "rating_and_declined")),
    bad("C002,dinghy,2026-05-04,exposure,5,perhaps,child,,,", ("Declined", "yes_no_unknown")),
    bad("C002,dinghy,2026-05-11,exposure,5,,grandma,,,", ("Rated by", "word_unknown")),
    odd("C002,dinghy,2026-05-18,exposure,5,,child,call 555-0134,,", ("Notes", "identity_text")),
    bad("C002,dinghy,2026-05-25,,5,,child,,,", ("Phase", "required_blank")),
    bad('C002,dinghy,2026-06-01,exposure,"1,250",,child,,,', ("Fear (0-10)", "number_ambiguous")),
    bad("C002,dinghy,2026-06-08,exposure,4,,child,calm,sunny,,,and brave", ("", "row_too_long")),
    bad("C002,dinghy,2026-06-15,exposure,#REF!,,child,,,", ("Fear (0-10)", "formula_failed")),
    bad("C002,dinghy,2026-06-22,exposure,2026-10-07,,child,,,", ("Fear (0-10)", "number_is_date")),
    bad("C002,dinghy,2026-06-29,exposure,x,,child,,,", ("Fear (0-10)", "number_unreadable")),
    odd("C002,dinghy,46209,exposure,3,,child,,,", ("Date", "date_serial")),
    # C003: the same occasion twice, phases that contradict each other.
    good("C003,gangway,2026-03-03,baseline,6,,child,,,"),
    good("C003,gangway,2026-03-10,baseline,6,,child,,,"),
    bad("C003,gangway,2026-03-10,baseline,6,,child,,,", ("", "row_repeated")),
    bad("C003,gangway,2026-03-17,baseline,5,,child,,,", ("Child", "key_repeated")),
    bad("C003,gangway,2026-03-17,baseline,8,,child,,,", ("Child", "key_repeated")),
    bad("C003,gangway,2026-03-24,baseline,5,,child,,,", ("Phase", "two_phases_on_day")),
    bad("C003,gangway,2026-03-24,exposure,5,,parent,,,", ("Phase", "two_phases_on_day")),
    good("C003,gangway,2026-03-31,exposure,5,,child,,,"),
    odd("C003,gangway,2026-04-07,baseline,5,,child,,,", ("Phase", "phase_backwards")),
    good("C003,gangway,2026-04-14,exposure,4,,child,,,"),
    # C004: by the table of phases, exposure starts on 25 March.
    good("C004,rope net,2026-03-11,baseline,7,,child,,,"),
    good("C004,rope net,2026-03-18,baseline,7,,child,,,"),
    bad("C004,rope net,2026-04-01,baseline,6,,child,,,", ("Phase", "phase_contradicted")),
    good("C004,rope net,2026-04-08,exposure,5,,child,,,"),
    odd("C004,rope net,2026-06-10,exposure,3,,child,,,", ("Date", "after_end")),
    # C005: child and parent; before entry.
    odd("C005,gangway,2026-01-07,baseline,9,,child,,,", ("Date", "before_entry")),
    good("C005,gangway,2026-03-04,baseline,9,,child,,,"),
    odd("C005,gangway,2026-03-04,baseline,5,,parent,,,", ("Rated by", "raters_mixed")),
    good("C005,gangway,2026-03-11,exposure,8,,child,,,"),
    odd(
        "C005,gangway,1926-03-18,baseline,8,,child,,,", ("Date", "date_long_ago"), ("Date", "before_entry")
    ),
    # C006: some rows do not say who rated; one is given by its occasion number alone.
    good("C006,gangway,2026-03-05,baseline,4,,parent,,,"),
    odd("C006,gangway,2026-03-12,baseline,4,,,,,", ("Rated by", "rater_blank")),
    odd("C006,gangway,2026-03-19,exposure,declined,no,parent,,,", ("Declined", "decline_contradicted")),
    # Codes that are no codes, or nobody's.
    bad("C09,gangway,2026-03-05,baseline,4,,child,,,", ("Child", "unknown_child")),
    bad("Sample Mira,gangway,2026-03-05,baseline,4,,child,,,", ("Child", "identity_value")),
    bad("C006/2,gangway,2026-03-05,baseline,4,,child,,,", ("Child", "code_form")),
    bad(",gangway,2026-03-05,baseline,4,,child,,,", ("Child", "required_blank")),
    bad('C001,gangway,2026-05-04,exposure,4,,child,"brave today,,', ("", "quote_open")),
    good("C001,gangway,2026-05-11,exposure,3,,child,,,"),
    odd("Mean,,,,5.4,,,,,", ("", "totals_row")),
    odd("copied from the paper sheets in May,,,,,,,,,", ("", "note_row")),
]

CHILDREN: list[Line] = [
    odd(
        "child_id,age_months,sex,referral_reason,referred_on,entered_on,ended_on,end_reason,site,"
        "clinician_id,research_consent,Date of birth",
        ("Date of birth", "identity_column"),
    ),
    good("C001,86,girl,heights,2026-01-12,2026-02-02,,,North,T1,yes,"),
    good("C002,101,M,boats,2026-01-12,2026-02-02,,,North,T1,no,"),
    bad("C003,8.5,f,heights,2026-01-12,2026-02-02,,,North,T2,no,", ("age_months", "number_not_whole")),
    good("C004,92,male,climbing,2026-01-12,2026-02-02,2026-05-29,completed,South,T2,,"),
    good("C005,120,female,heights,2026-01-12,2026-02-02,,,South,T2,yes,"),
    good("C006,88,,heights,2026-01-12,2026-02-02,,,South,T2,yes,"),
    bad("C007,7,male,heights,2026-01-12,2026-02-02,,,South,T2,yes,", ("age_months", "number_out_of_range")),
    bad(
        "C008,94,male,heights,2026-01-12,2026-02-02,2026-01-15,moved,South,T2,yes,",
        ("ended_on", "end_before_entry"),
    ),
    bad("C010,94,male,heights,2026-01-12,2026-02-02,,tired,South,T2,yes,", ("end_reason", "word_unknown")),
    bad(
        "C011,94,male,heights,2026-01-12,2026-02-02,,,South,Robert,yes,", ("clinician_id", "identity_value")
    ),
    bad("C012,94,male,heights,2026-01-12,2026-02-02,,,South,T2,yes,", ("child_id", "key_repeated")),
    bad("C012,95,male,heights,2026-01-12,2026-02-02,,,South,T2,yes,", ("child_id", "key_repeated")),
]

PHASES: list[Line] = [
    odd("child_id;ladder_id;starts_on;phase;criterion;criterion", ("criterion", "column_copied")),
    good("C004;rope net;11/03/2026;baseline;;"),
    odd("C004;rope net;25/03/2026;exposure;4,5;4,5", ("starts_on", "date_order_settled")),
    bad("C005;gangway;31/03/2026;maintenance;;", ("starts_on", "phase_start_twice")),
    bad("C005;gangway;31/03/2026;follow_up;;", ("starts_on", "phase_start_twice")),
    bad("C005;gangway;31/06/2026;exposure;;", ("starts_on", "date_unreadable")),
    bad("C099;gangway;30/03/2026;exposure;;", ("child_id", "unknown_child")),
]

SETTINGS = """\
# Settings of an invented practice, two of them wrong.
label = "Gull Steps Movement Practice (invented)"
alpha = 5
horizon_weeks = 12
"""

# Problems that concern a whole file.
WHOLE_FILES = [
    ("practice.toml", 0, "alpha", "setting_value"),
    ("practice.toml", 0, "horizon_weeks", "setting_unknown"),
]

# Files that each hold one thing wrong throughout, read one by one.
FILES: dict[str, tuple[str, bytes, list[Line]]] = {}


def file(name: str, encoding: str, *lines: Line) -> None:
    """Add a file that is read on its own."""
    text = "\n".join(line for line, _, _ in lines) + "\n"
    FILES[name] = (encoding, text.encode(encoding), list(lines))


WEEKS = [f"2026-03-{day:02d}" for day in (2, 9, 16, 23, 30)]

file(
    "dates_open.csv", "utf-8",
    good("date,phase,rating"),
    bad("02/03/2026,baseline,7", ("date", "date_ambiguous")),
    bad("09/03/2026,baseline,8"),
    good("2026-03-16,baseline,7"),
    good("23 March 2026,exposure,5"),
    good("04/04/2026,exposure,4"),
)  # fmt: skip
file(
    "dates_month_first.csv", "utf-8",
    good("date,phase,rating"),
    good("03/02/2026,baseline,7"),
    odd("03/16/2026,baseline,8", ("date", "date_order_settled")),
    good("4/6/26,exposure,5"),
)  # fmt: skip
file(
    "dates_contradict.csv", "utf-8",
    good("date,phase,rating"),
    good("03/16/2026,baseline,7"),
    good("23/03/2026,baseline,8"),
    bad("04/06/2026,exposure,5", ("date", "date_orders_mixed")),
    good("2026-07-13,exposure,3"),
)  # fmt: skip
file(
    "day_numbers.csv", "utf-8",
    good("date,phase,rating"),
    odd("46083,baseline,7", ("date", "date_serial")),
    good("46090,baseline,8"),
    good("46097.0,exposure,5"),
)  # fmt: skip
file(
    "semicolons.csv", "utf-8-sig",
    good("Date;Phase;Rating"),
    good("2026-03-02;baseline;7,5"),
    good("2026-03-09;exposure;6"),
)  # fmt: skip
file(
    "tabs_utf16.txt", "utf-16",
    good("date\tphase\trating\tnote"),
    good("2026-03-02\tbaseline\t7\tcafé pier"),
    odd("2026-03-09\texposure\tref.\t", ("rating", "declines_read")),
)  # fmt: skip
file(
    "windows_text.csv", "cp1252",
    good("date,phase,rating,note"),
    good("2026-03-02,baseline,7,café pier"),
    good("2026-03-09,exposure,6,\u201cbrave\u201d"),
)  # fmt: skip
file(
    "scale_of_100.csv", "utf-8",
    good("date,phase,rating"),
    bad("2026-03-02,baseline,75", ("rating", "scale_undeclared")),
    bad("2026-03-09,baseline,80"),
    bad("2026-03-16,exposure,40"),
    bad("2026-03-23,exposure,5"),
)  # fmt: skip
file(
    "directions.csv", "utf-8",
    good("date,phase,rating,outcome,better"),
    good("2026-03-02,baseline,2,confidence,higher"),
    good("2026-03-09,baseline,3,confidence,higher"),
    bad("2026-03-16,exposure,6,confidence,lower", ("better", "better_mixed")),
    good("2026-03-23,exposure,7,confidence,"),
)  # fmt: skip
file(
    "occasions.csv", "utf-8",
    good("child,occasion,date,phase,rating"),
    good("C1,1,2026-03-02,baseline,7"),
    odd("C1,1.5,2026-03-16,baseline,7", ("occasion", "occasion_order")),
    good("C1,2,2026-03-09,baseline,8"),
    bad("C1,4,,exposure,5", ("occasion", "time_mixed")),
    good("C2,1,,baseline,6"),
    good("C2,2,,exposure,5"),
)  # fmt: skip
file(
    "two_headers.csv", "utf-8",
    odd("Diary,,Probe,", ("", "rows_above_header")),
    odd("Date,Phase,Rating,Declined", ("", "header_split")),
    good(",,(0-10),(yes/no)"),
    good("2026-03-02,baseline,7,"),
)  # fmt: skip
file(
    "column_twice.csv", "utf-8",
    odd("date,phase,rating,fear,declined", ("fear", "column_twice"), ("", "column_missing")),
    bad("2026-03-02,baseline,7,6,"),
    bad("2026-03-09,exposure,5,6,"),
)  # fmt: skip
file(
    "no_name.csv", "utf-8",
    odd("date,phase,rating,", ("", "column_unnamed")),
    good("2026-03-02,baseline,7,calm"),
)  # fmt: skip
file(
    "forty_columns.csv", "utf-8",
    odd(
        "date,phase,rating," + ",".join(f"extra {n}" for n in range(1, 41)),
        *((f"extra {n}", "column_unknown") for n in range(1, 21)),
        ("", "columns_unknown"),
    ),
    good("2026-03-02,baseline,7" + "," * 40),
)  # fmt: skip
file(
    "nothing_in_it.csv", "utf-8",
    odd("date,phase,rating", ("", "table_empty")),
)  # fmt: skip
file(
    "something_else.csv", "utf-8",
    odd("boat,length,berth", ("", "table_unclear")),
    good("Gull,7,12"),
)  # fmt: skip


file(
    "one_letter_off.csv", "utf-8",
    good("child_id,date,phase,rating"),
    *(good(f"C014,2026-{month:02d}-{day:02d},{'baseline' if month < 4 else 'exposure'},7")
      for month in range(3, 6) for day in (2, 9, 16, 23)),
    odd("CO14,2026-06-01,exposure,6", ("child_id", "code_near")),
)  # fmt: skip

file(
    "pasted_novel.csv", "utf-8",
    good("date,phase,rating,note"),
    bad("2026-03-02,baseline,8," + "so it went on " * 8_000, ("note", "cell_too_long")),
    good("2026-03-09,baseline,7,"),
)  # fmt: skip


def write_messy(folder: Path) -> None:
    """Write the files and the two lists of what must be found."""
    folder.mkdir(exist_ok=True)
    (folder / "files").mkdir(exist_ok=True)
    problems = list(WHOLE_FILES)
    aside: list[tuple[str, int]] = []

    def note(name: str, lines: Sequence[Line]) -> None:
        for row, (_, found, is_aside) in enumerate(lines, start=1):
            for column, code in found:
                problems.append((name, 0 if code in WHOLE else row, column, code))
            if is_aside:
                aside.append((name, row))

    for name, encoding, lines in (
        ("ratings.csv", "utf-8-sig", RATINGS),
        ("children.csv", "utf-8", CHILDREN),
        ("phases.csv", "utf-8", PHASES),
    ):
        text = "\r\n".join(line for line, _, _ in lines) + "\r\n"
        (folder / name).write_bytes(text.encode(encoding))
        note(name, lines)
    (folder / "practice.toml").write_text(SETTINGS, encoding="utf-8", newline="\n")
    (folder / "level_3").mkdir(exist_ok=True)
    for name, lines in LEVEL_3.items():
        text = "\n".join(line for line, _, _ in lines) + "\n"
        (folder / "level_3" / f"{name}.csv").write_text(text, encoding="utf-8", newline="\n")
        note(f"level_3/{name}.csv", lines)
    for name, (encoding, content, lines) in FILES.items():
        (folder / "files" / name).write_bytes(content)
        note(f"files/{name}", lines)
        if encoding == "cp1252":
            problems.append((f"files/{name}", 0, "", "encoding_assumed"))
    for row, column, code in workbook(folder / "files" / "workbook.xlsx"):
        problems.append(("files/workbook.xlsx, sheet Fear log", row, column, code))
    problems.append(("files/workbook.xlsx, sheet Plan of rooms", 0, "", "sheet_unknown"))
    aside += [("files/workbook.xlsx, sheet Fear log", row) for row in (7, 9)]
    for name, (raw, code) in UNREADABLE.items():
        (folder / "files" / name).write_bytes(raw)
        problems.append((f"files/{name}", 0, "", code))
    misnamed(folder / "files" / "really_a_workbook.csv")
    problems.append(("files/really_a_workbook.csv", 0, "", "extension_differs"))
    (folder / "second_copy").mkdir(exist_ok=True)
    for name, (content, code) in SECOND_COPY.items():
        (folder / "second_copy" / name).write_text(content, encoding="utf-8", newline="\n")
        if code:
            problems.append((f"second_copy/{name}", 0, "", code))
    beside = folder.parent
    _write(beside / f"{folder.name}_expected_problems.csv", ("file", "row", "column", "code"), problems)
    _write(beside / f"{folder.name}_expected_set_aside.csv", ("file", "row"), aside)


def _write(path: Path, header: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    with open(path, "w", newline="", encoding="utf-8") as out:
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(header)
        writer.writerows(sorted(rows, key=lambda row: (str(row[0]), int(str(row[1])), *map(str, row[2:]))))


# Rules that speak of a whole column or file, not of a row.
WHOLE = frozenset(
    (
        "identity_column", "column_unknown", "columns_unknown", "column_copied", "column_twice",
        "column_missing", "column_unnamed", "table_empty", "table_unclear",
    )
)  # fmt: skip

if __name__ == "__main__":
    write_messy(Path(sys.argv[1]) if len(sys.argv) > 1 else Path("data_demo/messy"))
