"""Every rule the checks know: its code, its severity, and the words a person reads."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Rule:
    """One rule with its sentences; names in braces are filled in where it is broken.

    Attributes
    ----------
    code : str
        Stable between versions.
    severity : str
        ``"error"`` sets the rows concerned aside; ``"warning"`` sets nothing aside.
    problem : str
        What is wrong, in one sentence.
    remedy : str
        How to put it right, in one sentence.
    """

    code: str
    severity: str
    problem: str
    remedy: str


def _error(code: str, problem: str, remedy: str) -> Rule:
    return Rule(code, "error", problem, remedy)


def _warning(code: str, problem: str, remedy: str) -> Rule:
    return Rule(code, "warning", problem, remedy)


_FILES = (
    _error(
        "path_missing",
        "There is no file or folder of this name.",
        "Check the name and the folder it is in.",
    ),
    _error(
        "path_unreadable",
        "This may not be read: {reason}.",
        "Ask whoever manages the computer for the right to read it, or close the program that holds it.",
    ),
    _error("path_loop", "This is a link that leads back to itself.", "Name the real file or folder."),
    _error(
        "file_kind",
        "This is {found}, which cannot be read as a table.",
        "Save it as CSV, an .xlsx workbook or Parquet.",
    ),
    _error("file_empty", "The file is empty.", "Save the table again, with its header row."),
    _error(
        "file_not_text",
        "The file holds binary data, not a table.",
        "Open it in the program that made it and save it as CSV.",
    ),
    _error("file_locked", "The workbook is locked with a password.", "Save a copy without a password."),
    _error(
        "file_too_big",
        "Unpacked, the file would take {size}, far more than a caseload can.",
        "Save only the tables in a new file.",
    ),
    _error(
        "file_broken",
        "The file is damaged: {reason}.",
        "Open it in the program that made it and save it again.",
    ),
    _error(
        "nothing_to_read",
        "There is no table here.",
        "Put files named after the tables here, for example ratings.csv and children.csv.",
    ),
    _error(
        "table_twice",
        "The table {table} is already given by {other}; this one was not read.",
        "Keep one of the two.",
    ),
    _error(
        "table_unclear",
        "No row names the columns of a known table{why}; the first row reads: {first} ({count} not read).",
        "Put the column names date, phase and rating in the first row; a file with another table is named "
        "after it, for example children.csv.",
    ),
    _warning(
        "file_unknown",
        "The file is not named after a table and was not read.",
        "Nothing to do, unless it is a table: then name it after the table, for example ratings.csv.",
    ),
    _warning(
        "sheet_unknown",
        "The sheet is not named after a table and was not read.",
        "Nothing to do, unless it is a table: then name it after the table, for example ratings.",
    ),
    _warning(
        "extension_differs",
        "The name ends in {extension}, but this is {found}; it was read as such.",
        "Give the file its right ending.",
    ),
    _warning(
        "encoding_assumed",
        "The text is not UTF-8; it was read as Windows-1252, so accented letters may be wrong.",
        "Save it as “CSV UTF-8”.",
    ),
    _warning(
        "column_nested",
        "The column holds lists or binary data and was not read.",
        "Write one value in each cell.",
    ),
    _warning(
        "table_empty",
        "There are no rows yet.",
        "Type the first ones in below the header; nothing to do, if there is nothing to record yet.",
    ),
)

_HEADERS = (
    _error(
        "header_missing",
        "No row names the columns of the table {table}{why}; the first row reads: {first} ({count} not "
        "read).",
        "Put the column names in one row, for example: {example}.",
    ),
    _error(
        "too_many_columns",
        "The table has {count} columns; at most {limit} are read.",
        "Keep the columns of the table {table} and remove the rest.",
    ),
    _error(
        "column_missing",
        "The column {title} ({name}) is missing.",
        "Add it; without it no row can be used.",
    ),
    _error(
        "column_twice",
        "Two columns, {first} and {second}, both say {title}, and they differ.",
        "Keep one, or rename the other.",
    ),
    _warning(
        "rows_above_header",
        "{count} above the header {was} not read.",
        "Nothing to do, if they hold no data.",
    ),
    _warning(
        "header_split",
        "The header spreads over two rows; they were read together.",
        "Put the column names in one row, without merged cells.",
    ),
    _warning(
        "column_unknown",
        "The table {table} has no such column; it was not read.",
        "Nothing to do, unless it is misspelled; the columns are: {known}.",
    ),
    _warning(
        "columns_unknown",
        "{count} more columns are unknown too; none was read.",
        "Remove the columns that are not part of the table {table}.",
    ),
    _warning(
        "column_unnamed",
        "Column {letter} has entries but no name; it was not read.",
        "Give it a name, or clear it.",
    ),
    _warning(
        "column_copied",
        "The column stands twice with the same entries; one was read.",
        "Remove one of the two.",
    ),
)

_ROWS = (
    _error(
        "row_too_long",
        "The row has more cells than the header; a comma inside a cell may have split it.",
        "Put text with commas in quotation marks, and decimal commas in a file with semicolons.",
    ),
    _error("cell_too_long", "A cell here is longer than any record can be.", "Shorten it, or clear it."),
    _error("quote_open", "A quotation mark opens here and never closes.", "Close it, or remove it."),
    _error(
        "row_repeated",
        "The row repeats row {other} word for word; that one was kept.",
        "Remove one of the two.",
    ),
    _error(
        "key_repeated",
        "Row {other} is about the same {what} as this one, and they differ.",
        "Keep the right one{apart}.",
    ),
    _warning(
        "totals_row",
        "This looks like a row of totals and was not read as data.",
        "Remove it from the table.",
    ),
    _warning(
        "note_row",
        "This looks like a remark, not a row of the table, and was not read as data.",
        "Move it out of the table.",
    ),
)

_CELLS = (
    _error("required_blank", "{title} is blank.", "Fill it in{run}."),
    _error("number_unreadable", "This is not a number.", "Write one number, such as 7 or 7.5{also}."),
    _error(
        "number_is_date",
        "A number belongs here, but this is a date; a spreadsheet may have turned 7/10 into one.",
        "Format the cell as text or number and type the number again.",
    ),
    _error("number_ambiguous", "This could be {small} or {large}.", "Write it without the comma."),
    _error("number_not_whole", "This must be a whole number.", "Write a whole number."),
    _error("number_out_of_range", "This must be {range}.", "Put the number right."),
    _error(
        "date_unreadable",
        "{what}",
        "Write the day year-month-day, as in 2026-03-04{instead}.",
    ),
    _error(
        "date_ambiguous",
        "No entry of this column shows whether day or month comes first: {value} is {day_first} or "
        "{month_first} ({count} set aside).",
        "Write dates year-month-day, or set date_order in practice.toml to day_first or month_first.",
    ),
    _error(
        "date_orders_mixed",
        "Some entries of this column can only be day first ({day_entry}), others only month first "
        "({month_entry}), so {value} can be {day_first} or {month_first} ({count} set aside).",
        "Write all dates year-month-day.",
    ),
    _warning(
        "date_long_ago",
        "The date is more than 60 years ago ({count}).",
        "Correct the year, if it is a slip.",
    ),
    _error("date_future", "The date is after today ({today}).", "Put the date right."),
    _error(
        "formula_blank",
        "The cell holds a formula whose result was never saved.",
        "Open the workbook in a spreadsheet program and save it, or type the value.",
    ),
    _error("formula_failed", "The cell holds a formula that failed.", "Type the value."),
    _error("word_unknown", "{title} must be one of: {allowed}{hint}.", "Use one of these words."),
    _error("yes_no_unknown", "{title} must be yes or no.", "Write yes or no."),
    _error("code_form", "A code here is made of {form}.", "Shorten or rewrite the code."),
    _error("text_form", "This is not written as {example}.", "Write it as in {example}."),
    _warning(
        "decimal_comma",
        "Decimal commas were read as decimal points ({count}).",
        "Nothing to do, if that is so.",
    ),
    _warning(
        "declines_read",
        "Read as a decline: {words} ({count}).",
        "Nothing to do, if the child faced the step and would not do it; to be sure, write declined.",
    ),
    _warning(
        "date_order_settled",
        "Dates were read {order} first, because this entry can be nothing else; {count} could have "
        "been read both ways.",
        "Write dates year-month-day, or set date_order in practice.toml.",
    ),
    _warning(
        "date_serial",
        "Day numbers of a spreadsheet were read as dates, this one as {day} ({count}).",
        "Format the column as dates, year-month-day.",
    ),
)

_IDENTITY = (
    _error(
        "identity_column",
        "This column looks like {what}; it was not read, because records here are kept under codes only.",
        "Remove the column from the file.",
    ),
    _error(
        "identity_value",
        "This looks like {what}, which records kept under codes must not hold.",
        "Use a code such as C014 and keep the key apart.",
    ),
    _warning(
        "identity_text",
        "This text looks like it holds {what}; it was not read.",
        "Remove it from the file.",
    ),
)

_LEVEL_1 = (
    _error(
        "unknown_child",
        "The table children lists no child {value}{hint}.",
        "Correct the code, or add the child to children.",
    ),
    _error("time_missing", "The row has neither a date nor an occasion number.", "Fill in one of them."),
    _error(
        "time_mixed",
        "This row has only an occasion number, but other rows of the same child have dates.",
        "Fill in the date.",
    ),
    _error(
        "two_phases_on_day",
        "The same day is {phase} here and {other_phase} in row {other}.",
        "Correct the phase or the date.",
    ),
    _error(
        "phase_start_twice",
        "Row {other} starts {other_phase} on the same day.",
        "Correct the phase or the day.",
    ),
    _error(
        "phase_contradicted",
        "The phase is {phase} here, but by the table phases this day is {other_phase}.",
        "Correct the phase here, or the start in phases.",
    ),
    _error(
        "rating_off_scale",
        "The rating lies outside the scale of {outcome}, {low} to {high}.",
        "Put the rating right; if the scale is another one, declare it in practice.toml under "
        "[scales.{outcome}].",
    ),
    _error(
        "scale_undeclared",
        "{count} of {outcome}{whose} lie outside the scale 0 to 10, so another scale seems to be used, "
        "and none of these ratings can be read.",
        "Declare the scale in practice.toml, for example: [scales.{outcome}] {ends}, better = "
        '"lower"{instead}.',
    ),
    _error(
        "better_mixed",
        "For {outcome}, {other} is better{where}.",
        "Use one direction for one outcome, or give the other rating a name of its own under outcome.",
    ),
    _error(
        "end_before_entry",
        "The program ends before it begins ({entered}).",
        "Correct one of the two dates.",
    ),
    _warning(
        "code_respelled",
        "This was taken as the code {proper}, which is written differently ({count}).",
        "Write the code the same way everywhere.",
    ),
    _warning(
        "code_near",
        "This code stands in {count} only and looks like {proper} ({many}).",
        "Correct it, if {proper} was meant; if not, list both in the table {home}.",
    ),
    _warning(
        "rating_blank",
        "There is neither a rating nor a decline; the occasion counts as missed.",
        "Write the rating, declined, or missed.",
    ),
    _warning(
        "decline_contradicted",
        "The rating says declined, but the column {column} says no; the decline counts.",
        "Correct one of the two.",
    ),
    _warning(
        "rating_and_declined",
        "A rating and a decline are both given; the decline counts.",
        "Clear one of the two.",
    ),
    _warning(
        "phase_backwards",
        "{phase} comes after {other_phase} here, which is rare in graded exposure.",
        "Nothing to do, if the program really went back.",
    ),
    _warning(
        "occasion_order",
        "The occasion number does not rise with the date.",
        "Correct one of the two; the date counts.",
    ),
    _warning(
        "before_entry",
        "The date is before the child entered the program ({entered}).",
        "Correct one of the two dates.",
    ),
    _warning(
        "after_end",
        "The date is after the child's program ended ({ended}).",
        "Correct one of the two dates.",
    ),
    _warning(
        "raters_mixed",
        "Ratings of {child} by different kinds of rater ({raters}) are never pooled; the answer "
        "rests on those by {used}.",
        "Nothing to do, or ask for the other kind of rater by name.",
    ),
    _warning(
        "rater_blank",
        "{count} of {child} {verb} not say who rated; {taken} as by {used}, like the others.",
        "Fill in rated_by.",
    ),
)

_LEVEL_2 = (
    _error(
        "unknown_code",
        "The table {home} lists no {title} {value}{hint}.",
        "Correct the code, or add it to {home}.",
    ),
    _error(
        "unknown_step",
        "The ladder {owner} has no such step; it has {there}.",
        "Correct the step, or add it to ladders.",
    ),
    _error(
        "limits_upside_down",
        "The lower end must be below the upper end, {high}.",
        "Correct the two ends.",
    ),
    _error(
        "window_upside_down",
        "The window closes before it opens ({opens}).",
        "Correct one of the two dates.",
    ),
    _error(
        "fear_off_scale",
        "The rating lies outside this child's scale, {low} to {high}.",
        "Put the rating right, or the scale in {home}.",
    ),
    _error(
        "probe_elsewhere",
        "A probe is planned at step {planned} of this child's ladder, not at this one.",
        "Correct the step; if it was no planned probe, call it practice.",
    ),
    _warning(
        "steps_not_consecutive",
        "The steps of {owner} go from {before} to {step}.",
        "Number the steps 1, 2, 3 without gaps.",
    ),
    _warning(
        "primary_twice",
        "Row {other} is already the primary probe step of this child's ladder; that one counts.",
        "Set primary to no in one of the two.",
    ),
    _warning(
        "probe_unplanned",
        "Probes of {child} on {ladder} have no plan ({count}), so nothing says which step was "
        "meant to be probed.",
        "Add the child's ladder to plans.",
    ),
    _warning(
        "phase_unknown",
        "No phase starts are given for {child} on {ladder} ({count}), so these probes stand in no phase.",
        "Add the start of exposure to phases.",
    ),
    _warning(
        "practice_in_baseline",
        "The step was practiced before exposure starts by the table phases; that is no baseline.",
        "Correct the date or the kind, or the start in phases.",
    ),
    _warning(
        "start_outside_window",
        "Exposure starts outside the window planned for it, {opens} to {closes}.",
        "Correct the date; if it is right, the design no longer holds.",
    ),
    _warning(
        "peak_blank",
        "The step was tried, but the fear peak is blank.",
        "Fill it in, if it was asked.",
    ),
    _warning(
        "peak_and_declined",
        "The step was declined, so there is no fear peak; it was not used.",
        "Clear it, or correct the outcome.",
    ),
    _warning(
        "peak_too_low",
        "The peak is lower than the fear at the end ({end}).",
        "Correct one of the two.",
    ),
    _warning(
        "recorded_before",
        "This was recorded before it happened ({day}).",
        "Correct one of the two dates.",
    ),
    _warning(
        "recorded_unlike",
        "Planned ratings of {child} on {ladder} are not those of the probes in observations "
        "({count}, first here); the probes count.",
        "Correct one of the two, or keep one record only.",
    ),
)

_LEVEL_3 = (
    _error(
        "unknown_goal",
        "{owner} has no such goal; there is: {there}.",
        "Correct the code, or add the goal to goals.",
    ),
    _error(
        "score_off_instrument",
        "The score lies outside the instrument, {low} to {high}.",
        "Put the score right, or the ends in measures.",
    ),
    _error(
        "agreement_without_trial",
        "No trial in observations matches this child, ladder, day, kind, step and number.",
        "Correct what does not match, or add the trial to observations.",
    ),
    _error(
        "agreement_unclear",
        "Several trials in observations match; nothing says which one was seen.",
        "Fill in step and trial.",
    ),
    _error(
        "same_rater",
        "The second observer is the one who rated the trial.",
        "Correct the code of one of the two.",
    ),
    _error(
        "more_done_than_planned",
        "More steps were done than planned ({planned}).",
        "Correct one of the two.",
    ),
    _warning(
        "self_report_seen",
        "The trial was rated by the {rater}; what a person feels has no second rater, so this "
        "rating was not used.",
        "Clear it; the outcome of the trial is used.",
    ),
    _warning(
        "mean_off_instrument",
        "The mean lies outside the instrument, {low} to {high}.",
        "Correct it, or the ends.",
    ),
    _error(
        "reliability_impossible",
        "A reliability lies between 0 and 1, and is neither.",
        "Write the published one, or leave it blank.",
    ),
    _error(
        "sd_not_positive",
        "A standard deviation is above 0.",
        "Write the published one, or leave it blank.",
    ),
    _error(
        "means_reversed",
        "{better} scores are better here, so the mean without the difficulty must be {side} the clinical "
        "mean, {clinical}.",
        "Correct one of the two, or the direction under better.",
    ),
    _warning("before_goal_set", "The goal was set later ({day}).", "Correct one of the two dates."),
    _warning(
        "minutes_without_session",
        "The contact did not take place, but has minutes of exposure.",
        "Correct one of the two.",
    ),
)

_PRACTICE = (
    _error(
        "practice_unreadable",
        "The settings cannot be read: {reason}.",
        "Correct that line; until then the defaults hold.",
    ),
    _error("setting_unknown", "There is no setting {name}{hint}.", "Correct its name, or remove it."),
    _error(
        "setting_value",
        "{name} must be {allowed}; the default, {default}, holds until then.",
        "Put the value right.",
    ),
)

RULES: dict[str, Rule] = {
    rule.code: rule
    for group in (_FILES, _HEADERS, _ROWS, _CELLS, _IDENTITY, _LEVEL_1, _LEVEL_2, _LEVEL_3, _PRACTICE)
    for rule in group
}
