"""What people hand over first is told in words that help, and no sound row is lost for it."""

from datetime import date

import pytest
from rungwise.tables.read import read_tables

TODAY = date(2026, 11, 25)
DAYS = [f"2026-0{month}-{day:02d}" for month in (3, 4, 5) for day in (2, 9, 16, 23)]


@pytest.fixture
def read(tmp_path):
    def read(text, name="fear.csv"):
        (tmp_path / name).write_text(text, encoding="utf-8")
        return read_tables(tmp_path / name, today=TODAY)

    return read


def ratings(*entries, phases=None):
    phases = phases or ["baseline"] * 4 + ["exposure"] * (len(entries) - 4)
    rows = zip(DAYS, phases, entries, strict=False)
    return "date,phase,rating\n" + "".join(",".join(map(str, row)) + "\n" for row in rows)


def told(tables, code):
    return [problem for problem in tables.report if problem.code == code]


class TestDeclines:
    @pytest.mark.parametrize("word", ["no", "No!", "nope", "d", "D.", "ref."])
    def test_a_short_word_in_place_of_a_rating_is_a_decline_and_said_so(self, read, word):
        tables = read(ratings(7, 8, 7, 8, word, 6, 5))
        assert len(tables.report.set_aside) == 0
        assert tables.tables["ratings"]["declined"].tolist() == [False] * 4 + [True, False, False]
        (problem,) = tables.report
        assert (problem.code, problem.severity, problem.row, problem.column) == (
            "declines_read", "warning", 6, "rating",
        )  # fmt: skip
        assert problem.problem == f"Read as a decline: “{word}” (1 row)."

    def test_all_words_of_a_column_are_told_once(self, read):
        tables = read(ratings(7, "no", "nope", 8, "no", "declined", "refused"))
        (problem,) = tables.report
        assert problem.problem == "Read as a decline: “no”, “nope” (3 rows)."
        assert tables.tables["ratings"]["declined"].sum() == 5

    @pytest.mark.parametrize("word", ["x", "dnf"])
    def test_what_may_mean_several_things_stays_an_error_that_says_what_to_write(self, read, word):
        tables = read(ratings(7, 8, 7, 8, word, 6))
        (problem,) = tables.report
        assert (problem.code, problem.row) == ("number_unreadable", 6)
        assert "write declined if the child faced the step and would not do it" in problem.remedy
        assert "missed if it was not rated" in problem.remedy

    def test_no_in_the_column_of_declines_is_no_decline(self, read):
        tables = read("date,phase,rating,declined\n2026-03-02,baseline,7,no\n")
        assert len(tables.report) == 0
        assert tables.tables["ratings"]["declined"].tolist() == [False]


class TestWeeksForDays:
    @pytest.mark.parametrize("entry", ["2026-W10", "week 2", "3", "Session 12", "wk3"])
    def test_a_number_in_place_of_a_day_is_told_where_it_belongs(self, read, entry):
        (problem,) = read(f"date,phase,rating\n{entry},baseline,7\n").report
        assert problem.code == "date_unreadable"
        assert problem.problem == "This is no date; it looks like the number of a week or session."
        assert "name the column week or occasion" in problem.remedy

    def test_the_column_may_really_be_named_week(self, read):
        tables = read("week,phase,rating\n1,baseline,7\n2,baseline,8\n")
        assert len(tables.report) == 0
        assert tables.tables["ratings"]["occasion"].tolist() == [1, 2]

    def test_only_a_date_can_be_a_day_that_does_not_exist(self, read):
        problems = read("date,phase,rating\n2026-02-30,baseline,7\nsoon,baseline,7\n").report
        assert [problem.problem for problem in problems] == [
            "This is not a day that exists in the calendar.", "This is no date.",
        ]  # fmt: skip

    def test_tables_without_numbered_occasions_do_not_speak_of_them(self, read):
        (problem,) = read("child_id,entered_on\nC1,week 2\n", "children.csv").report
        assert problem.remedy == "Write the day year-month-day, as in 2026-03-04."


class TestNoHeader:
    def test_rows_without_a_header_are_counted_and_the_first_is_read_out(self, read):
        (problem,) = read("2026-03-02,A,7\n2026-03-09,A,8\n\n2026-03-16,B,5\n", "noheader.csv").report
        assert problem.code == "table_unclear"
        assert problem.problem == (
            "No row names the columns of a known table: there may be no header row; the first row "
            "reads: 2026-03-02, A, 7 (3 rows not read)."
        )
        assert "date, phase and rating in the first row" in problem.remedy

    def test_a_header_in_other_words_is_read_out(self, read):
        (problem,) = read("Datum,Abschnitt,Angst\n2026-03-02,A,7\n").report
        assert (
            "known table; the first row reads: Datum, Abschnitt, Angst (2 rows not read)."
            in problem.problem
        )

    def test_a_file_named_after_its_table_says_the_same(self, tmp_path):
        (tmp_path / "children.csv").write_text("C001,86\nC002,91\n")
        (problem,) = read_tables(tmp_path, today=TODAY).report
        assert problem.code == "header_missing"
        assert "no header row; the first row reads: C001, 86 (2 rows not read)" in problem.problem

    def test_a_first_row_that_may_name_a_child_is_not_read_out(self, read):
        (problem,) = read("Sample Mira,2026-03-02,7\nSample Mira,2026-03-09,7\n").report
        assert "Mira" not in problem.problem
        assert "the first row reads: (not shown), 2026-03-02, 7" in problem.problem

    def test_a_parquet_file_of_other_columns_says_them(self, tmp_path):
        import pyarrow as pa
        from pyarrow import parquet

        parquet.write_table(pa.table({"foo": [1, 2], "bar": [1, 2]}), tmp_path / "a.parquet")
        (problem,) = read_tables(tmp_path / "a.parquet", today=TODAY).report
        assert "the first row reads: foo, bar (2 rows not read)" in problem.problem
