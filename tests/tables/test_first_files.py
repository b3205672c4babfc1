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


class TestMergedPhases:
    def test_blanks_below_a_filled_cell_say_which_rows_to_fill_down(self, read):
        phases = ["baseline", "", "", "", "exposure", "", ""]
        tables = read(ratings(7, 8, 7, 8, 6, 5, 4, phases=phases))
        problems = told(tables, "required_blank")
        assert [problem.row for problem in problems] == [3, 4, 5, 7, 8]
        assert {problem.remedy for problem in problems[:3]} == {
            "Fill it in; if it is baseline as in row 2, fill down rows 3-5."
        }
        assert problems[-1].remedy == "Fill it in; if it is exposure as in row 6, fill down rows 7-8."

    def test_one_blank_may_be_anything(self, read):
        (problem,) = read(ratings(7, 8, 7, phases=["baseline", "", "baseline"])).report
        assert problem.remedy == "Fill it in."

    def test_a_run_ends_where_another_child_begins(self, read):
        rows = ["C1,2026-03-02,baseline,7", "C1,2026-03-09,,7", "C1,2026-03-16,,7", "C2,2026-03-02,,7"]
        problems = read("child,date,phase,rating\n" + "\n".join(rows)).report
        assert [problem.remedy.partition("; ")[2] for problem in problems] == [
            *["if it is baseline as in row 2, fill down rows 3-4."] * 2, "",
        ]  # fmt: skip

    def test_blanks_at_the_top_have_nothing_above(self, read):
        problems = read(ratings(7, 8, 7, phases=["", "", "baseline"])).report
        assert {problem.remedy for problem in problems} == {"Fill it in."}


class TestOtherScales:
    def test_minus_signs_suggest_ends_that_hold_them(self, read):
        (problem,) = read(ratings(-6, -5, -6, -4, -3, -2, -1)).report
        assert problem.code == "scale_undeclared"
        assert "[scales.fear] minimum = -10, maximum = 0" in problem.remedy
        assert "if the minus signs are slips, remove them" in problem.remedy

    def test_some_minus_signs_cost_only_their_own_rows(self, read):
        tables = read(ratings(7, 8, -7, 8, -6, 5, -4, 3, 2))
        assert [problem.code for problem in tables.report] == ["rating_off_scale"] * 3
        assert len(tables.tables["ratings"]) == 6

    def test_a_child_rated_of_a_hundred_costs_no_other_child_a_row(self, read):
        rows = [f"C{child},{day},baseline,{5 + child}" for child in (1, 2, 3) for day in DAYS[:4]]
        rows += [f"C4,{day},baseline,{rating}" for day, rating in zip(DAYS, (80, 70, 65, 5), strict=False)]
        tables = read("child,date,phase,rating\n" + "\n".join(rows))
        (problem,) = tables.report
        assert problem.problem.startswith("3 of 4 ratings of fear (C4) lie outside the scale 0 to 10")
        assert "minimum = 0, maximum = 100" in problem.remedy
        assert len(tables.report.set_aside) == 4
        assert set(tables.tables["ratings"]["child_id"].tolist()) == {"C1", "C2", "C3"}

    def test_where_most_children_are_concerned_no_rating_can_be_read(self, read):
        rows = [f"C{child},{day},baseline,{30 * child - 25}" for child in (1, 2, 3) for day in DAYS[:4]]
        tables = read("child,date,phase,rating\n" + "\n".join(rows))
        assert [problem.code for problem in tables.report] == ["scale_undeclared"]
        assert len(tables.report.set_aside) == 12


class TestGrammar:
    def test_one_rating_does_not_say_and_two_do_not(self, read):
        header = "date,phase,rating,rated_by\n"
        named = [f"{day},baseline,7,child" for day in DAYS[2:5]]
        (one,) = read(header + "\n".join([f"{DAYS[0]},baseline,7,", *named])).report
        assert "1 rating of child does not say who rated; it was taken as by child" in one.problem
        blank = [f"{day},baseline,7," for day in DAYS[:2]]
        (two,) = read(header + "\n".join([*blank, *named])).report
        assert "2 ratings of child do not say who rated; they were taken as by child" in two.problem

    def test_two_rows_about_the_same_thing_say_what_is_the_same(self, read):
        rows = ["C1,gangway,2026-03-02,baseline,7,child", "C1,gangway,2026-03-02,baseline,8,child"]
        problems = read("child,ladder,date,phase,rating,rated_by\n" + "\n".join(rows)).report
        assert {problem.problem.partition("same ")[2] for problem in problems} == {
            "child, ladder, rater and date as this one, and they differ."
        }


class TestInstruments:
    HEADER = "measure_id,title,better,minimum,maximum,reliability,clinical_mean,clinical_sd,functional_mean"

    def measured(self, read, values):
        return read(f"{self.HEADER},functional_sd\nMQ,Questionnaire (invented),{values}\n", "measures.csv")

    @pytest.mark.parametrize(
        ("values", "code", "column"),
        [
            ("lower,0,60,0,38,9,15,8", "reliability_impossible", "reliability"),
            ("lower,0,60,1,38,9,15,8", "reliability_impossible", "reliability"),
            ("lower,0,60,.8,38,0,15,8", "sd_not_positive", "clinical_sd"),
            ("lower,0,60,.8,38,9,15,0", "sd_not_positive", "functional_sd"),
            ("lower,0,60,.8,15,9,38,8", "means_reversed", "functional_mean"),
            ("lower,0,60,.8,15,9,15,8", "means_reversed", "functional_mean"),
            ("higher,0,60,.8,38,9,15,8", "means_reversed", "functional_mean"),
        ],
    )
    def test_reference_values_that_cannot_be_are_errors(self, read, values, code, column):
        tables = self.measured(read, values)
        assert [(p.code, p.column, p.severity) for p in tables.report] == [(code, column, "error")]
        assert len(tables.tables["measures"]) == 0

    @pytest.mark.parametrize(
        "values", ["lower,0,60,,,,,", "higher,0,60,.86,15,9,38,8", "lower,0,60,.9,38,,,"]
    )
    def test_absent_and_sound_values_are_taken(self, read, values):
        assert len(self.measured(read, values).report) == 0


TRIAL = "child_id,ladder_id,date,kind,step,outcome,{}\nC1,net,2026-03-02,probe,1,completed,"


class TestNone:
    @pytest.mark.parametrize(
        ("name", "column", "text"),
        [
            ("observations", "support", TRIAL.format("support") + "none"),
            ("observations", "condition", TRIAL.format("condition") + "None"),
            ("children", "co_occurring", "child_id,co_occurring\nC1,none"),
            ("incidents", "action", "child_id,date,kind,severity,action\nC1,2026-03-02,fall,minor,none"),
            ("ladders", "support", "ladder_id,step,activity,support\nnet,1,stand below,none"),
        ],
    )  # fmt: skip
    def test_none_is_an_answer_where_it_can_be_one(self, read, name, column, text):
        table = read(text + "\n", f"{name}.csv").tables[name]
        assert [entry.casefold() for entry in table[column].tolist()] == ["none"]

    def test_none_is_missing_among_numbers(self, read):
        table = read(TRIAL.format("fear_end") + "None", "observations.csv").tables["observations"]
        assert table["fear_end"][0] != table["fear_end"][0]


def test_a_file_of_another_name_in_the_folder_is_mentioned_and_left_alone(tmp_path):
    (tmp_path / "ratings.csv").write_text(ratings(7, 8, 7))
    (tmp_path / "rooms.csv").write_text("room,free\n1,yes\n")
    (problem,) = read_tables(tmp_path, today=TODAY).report
    assert (problem.code, problem.source, problem.severity) == ("file_unknown", "rooms.csv", "warning")
