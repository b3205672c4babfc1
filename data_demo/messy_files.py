"""The messy files that are no plain lines of text: workbooks, and files that cannot be read as tables."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path

SOUND = "date,phase,rating\n" + "".join(
    f"2026-03-{day:02d},{phase},{rating}\n"
    for day, phase, rating in ((2, "baseline", 8), (9, "baseline", 7), (16, "exposure", 5))
)
_OLD_CONTAINER = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"

# Name, content, and the rule each breaks as a whole; nothing in them can be used.
UNREADABLE = {
    "letter.csv": (b"%PDF-1.7\n% An invented letter that was saved under the wrong name.\n", "file_kind"),
    "empty.csv": (b"", "file_empty"),
    "scrambled.csv": (bytes(range(256)) * 8, "file_not_text"),
    "locked.xlsx": (_OLD_CONTAINER + "EncryptedPackage".encode("utf-16-le"), "file_locked"),
    "cut_off.xlsx": (b"PK\x03\x04xl/ and nothing more", "file_broken"),
    "ratings.csv": (b"what,ever\n1,2\n", "header_missing"),
    "thousand_columns.csv": (
        SOUND.replace("rating\n", "rating," + ",".join(f"x{n}" for n in range(1000)) + "\n").encode(),
        "too_many_columns",
    ),
}

# A folder that says the same thing twice, beside settings that cannot be read.
SECOND_COPY = {
    "ratings.csv": (SOUND, ""),
    "ratings.tsv": (SOUND.replace(",", "\t"), "table_twice"),
    "rooms.csv": ("room,free\n1,yes\n", "file_unknown"),
    "practice.toml": ("label = \n", "practice_unreadable"),
}


def misnamed(path: Path) -> None:
    """Write a sound workbook under the ending of a text file."""
    from openpyxl import Workbook

    book = Workbook()
    book.properties.created = book.properties.modified = datetime(2026, 11, 1)
    book.active.title = "ratings"
    for line in SOUND.splitlines():
        book.active.append(line.split(","))
    book.save(path)


def workbook(path: Path) -> list[tuple[int, str, str]]:
    """Write a workbook with the sins of workbooks; give its problems as row, column, code."""
    from openpyxl import Workbook

    book = Workbook()
    book.properties.created = book.properties.modified = datetime(2026, 11, 1)
    sheet = book.active
    sheet.title = "Fear log"
    rows = [
        ["Weekly probes, invented", None, None, None],
        ["When", None, "Probe", None],
        ["Date", "Phase", "Rating", "Declined"],
        [datetime(2026, 3, 2), "baseline", 7, None],
        [date(2026, 3, 9), "baseline", "8", False],
        [46097, "baseline", 7.0, None],
        ["2026-03-23", "exposure", "=C6-1", None],
        [datetime(2026, 3, 30), "exposure", None, True],
        [datetime(2026, 4, 6), "exposure", date(2026, 10, 7), None],
        [None, None, None, None],
        [datetime(2026, 4, 13, 15, 30), "exposure", 4, "no"],
    ]
    for row in rows:
        sheet.append(row)
    sheet.merge_cells("A1:D1")
    sheet.merge_cells("A2:B2")
    sheet.merge_cells("C2:D2")
    other = book.create_sheet("Plan of rooms")
    other.append(["room", "day"])
    book.save(path)
    return [
        (1, "", "rows_above_header"),
        (6, "Date", "date_serial"),
        (7, "Rating", "formula_blank"),
        (9, "Rating", "number_is_date"),
    ]
