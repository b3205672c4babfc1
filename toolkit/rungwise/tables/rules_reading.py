"""Rules about files, headers, rows, single cells and identities: what a table is read by."""

from __future__ import annotations

from rungwise.tables.rule import Rule, error, warning

FILES: tuple[Rule, ...] = (
    error(
        "path_missing",
        "There is no file or folder of this name.",
        "Check the name and the folder it is in.",
    ),
    error(
        "path_unreadable",
        "This may not be read: {reason}.",
        "Ask whoever manages the computer for the right to read it, or close the program that holds it.",
    ),
    error("path_loop", "This is a link that leads back to itself.", "Name the real file or folder."),
    error(
        "file_kind",
        "This is {found}, which cannot be read as a table.",
        "Save it as CSV, an .xlsx workbook or Parquet.",
    ),
    error("file_empty", "The file is empty.", "Save the table again, with its header row."),
    error(
        "file_not_text",
        "The file holds binary data, not a table.",
        "Open it in the program that made it and save it as CSV.",
    ),
    error("file_locked", "The workbook is locked with a password.", "Save a copy without a password."),
    error(
        "file_too_big",
        "Unpacked, the file would take {size}, far more than a caseload can.",
        "Save only the tables in a new file.",
    ),
    error(
        "file_broken",
        "The file is damaged: {reason}.",
        "Open it in the program that made it and save it again.",
    ),
    error(
        "schema_version",
        "The file was written under version {version} of the tables; this release reads version {known}.",
        "Use a release that reads that version, or write the file anew (docs/registry.md, under "
        "Migration).",
    ),
    error(
        "nothing_to_read",
        "There is no table here.",
        "Put files named after the tables here, for example ratings.csv and children.csv.",
    ),
    error(
        "table_twice",
        "The table {table} is already given by {other}; this one was not read.",
        "Keep one of the two.",
    ),
    error(
        "table_unclear",
        "No row names the columns of a known table{why}; the first row reads: {first} ({count} not read).",
        "Put the column names date, phase and rating in the first row; a file with another table is named "
        "after it, for example children.csv.",
    ),
    warning(
        "file_unknown",
        "The file is not named after a table and was not read.",
        "Nothing to do, unless it is a table: then name it after the table, for example ratings.csv.",
    ),
    warning(
        "sheet_unknown",
        "The sheet is not named after a table and was not read.",
        "Nothing to do, unless it is a table: then name it after the table, for example ratings.",
    ),
    warning(
        "extension_differs",
        "The name ends in {extension}, but this is {found}; it was read as such.",
        "Give the file its right ending.",
    ),
    warning(
        "encoding_assumed",
        "The text is not UTF-8; it was read as Windows-1252, so accented letters may be wrong.",
        "Save it as “CSV UTF-8”.",
    ),
    warning(
        "column_nested",
        "The column holds lists or binary data and was not read.",
        "Write one value in each cell.",
    ),
    warning(
        "table_empty",
        "There are no rows yet.",
        "Type the first ones in below the header; nothing to do, if there is nothing to record yet.",
    ),
)

HEADERS: tuple[Rule, ...] = (
    error(
        "header_missing",
        "No row names the columns of the table {table}{why}; the first row reads: {first} ({count} not "
        "read).",
        "Put the column names in one row, for example: {example}.",
    ),
    error(
        "too_many_columns",
        "The table has {count} columns; at most {limit} are read.",
        "Keep the columns of the table {table} and remove the rest.",
    ),
    error(
        "column_missing",
        "The column {title} ({name}) is missing.",
        "Add it; without it no row can be used.",
    ),
    error(
        "column_twice",
        "Two columns, {first} and {second}, both say {title}, and they differ.",
        "Keep one, or rename the other.",
    ),
    warning(
        "rows_above_header",
        "{count} above the header {was} not read.",
        "Nothing to do, if they hold no data.",
    ),
    warning(
        "header_split",
        "The header spreads over two rows; they were read together.",
        "Put the column names in one row, without merged cells.",
    ),
    warning(
        "column_unknown",
        "The table {table} has no such column; it was not read.",
        "Nothing to do, unless it is misspelled; the columns are: {known}.",
    ),
    warning(
        "columns_unknown",
        "{count} more columns are unknown too; none was read.",
        "Remove the columns that are not part of the table {table}.",
    ),
    warning(
        "column_unnamed",
        "Column {letter} has entries but no name; it was not read.",
        "Give it a name, or clear it.",
    ),
    warning(
        "column_copied",
        "The column stands twice with the same entries; one was read.",
        "Remove one of the two.",
    ),
)

ROWS: tuple[Rule, ...] = (
    error(
        "row_too_long",
        "The row has more cells than the header; a comma inside a cell may have split it.",
        "Put text with commas in quotation marks, and decimal commas in a file with semicolons.",
    ),
    error("cell_too_long", "A cell here is longer than any record can be.", "Shorten it, or clear it."),
    error("quote_open", "A quotation mark opens here and never closes.", "Close it, or remove it."),
    error(
        "row_repeated",
        "The row repeats row {other} word for word; that one was kept.",
        "Remove one of the two.",
    ),
    error(
        "key_repeated",
        "Row {other} is about the same {what} as this one, and they differ.",
        "Keep the right one{apart}.",
    ),
    warning(
        "totals_row",
        "This looks like a row of totals and was not read as data.",
        "Remove it from the table.",
    ),
    warning(
        "note_row",
        "This looks like a remark, not a row of the table, and was not read as data.",
        "Move it out of the table.",
    ),
)

CELLS: tuple[Rule, ...] = (
    error("required_blank", "{title} is blank.", "Fill it in{run}."),
    error("number_unreadable", "This is not a number.", "Write one number, such as 7 or 7.5{also}."),
    error(
        "number_is_date",
        "A number belongs here, but this is a date; a spreadsheet may have turned 7/10 into one.",
        "Format the cell as text or number and type the number again.",
    ),
    error("number_ambiguous", "This could be {small} or {large}.", "Write it without the comma."),
    error("number_not_whole", "This must be a whole number.", "Write a whole number."),
    error("number_out_of_range", "This must be {range}.", "Put the number right."),
    error(
        "date_unreadable",
        "{what}",
        "Write the day year-month-day, as in 2026-03-04{instead}.",
    ),
    error(
        "date_ambiguous",
        "No entry of this column shows whether day or month comes first: {value} is {day_first} or "
        "{month_first} ({count} set aside).",
        "Write dates year-month-day, or set date_order in practice.toml to day_first or month_first.",
    ),
    error(
        "date_orders_mixed",
        "Some entries of this column can only be day first ({day_entry}), others only month first "
        "({month_entry}), so {value} can be {day_first} or {month_first} ({count} set aside).",
        "Write all dates year-month-day.",
    ),
    warning(
        "date_long_ago",
        "The date is more than 60 years ago ({count}).",
        "Correct the year, if it is a slip.",
    ),
    error("date_future", "The date is after today ({today}).", "Put the date right."),
    error(
        "formula_blank",
        "The cell holds a formula whose result was never saved.",
        "Open the workbook in a spreadsheet program and save it, or type the value.",
    ),
    error("formula_failed", "The cell holds a formula that failed.", "Type the value."),
    error("word_unknown", "{title} must be one of: {allowed}{hint}.", "Use one of these words."),
    error("yes_no_unknown", "{title} must be yes or no.", "Write yes or no."),
    error("code_form", "A code here is made of {form}.", "Shorten or rewrite the code."),
    error("text_form", "This is not written as {example}.", "Write it as in {example}."),
    warning(
        "decimal_comma",
        "Decimal commas were read as decimal points ({count}).",
        "Nothing to do, if that is so.",
    ),
    warning(
        "declines_read",
        "Read as a decline: {words} ({count}).",
        "Nothing to do, if the child faced the step and would not do it; to be sure, write declined.",
    ),
    warning(
        "date_order_settled",
        "Dates were read {order} first, because this entry can be nothing else; {count} could have "
        "been read both ways.",
        "Write dates year-month-day, or set date_order in practice.toml.",
    ),
    warning(
        "date_serial",
        "Day numbers of a spreadsheet were read as dates, this one as {day} ({count}).",
        "Format the column as dates, year-month-day.",
    ),
)

IDENTITY: tuple[Rule, ...] = (
    error(
        "identity_column",
        "This column looks like {what}; it was not read, because records here are kept under codes only.",
        "Remove the column from the file.",
    ),
    error(
        "identity_value",
        "This looks like {what}, which records kept under codes must not hold.",
        "Use a code such as C014 and keep the key apart.",
    ),
    warning(
        "identity_text",
        "This text looks like it holds {what}; it was not read.",
        "Remove it from the file.",
    ),
)
