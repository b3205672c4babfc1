import pytest
from rungwise.tables.header import find_header, known_columns
from rungwise.tables.schema import TABLES, schema

RATINGS = ["Date", "Phase", "Fear (0-10)"]


@pytest.mark.parametrize("table", TABLES)
def test_every_table_is_told_by_its_columns_and_by_its_titles(table):
    fields = schema(table).fields.values()
    for header in ([field.name for field in fields], [field.title.upper() for field in fields]):
        found = find_header([header], None)
        assert found is not None
        assert found.table == table
        assert known_columns(header, table) == len(header)


def test_the_least_a_file_of_ratings_can_have():
    assert find_header([["date", "phase", "rating"]], None).table == "ratings"
    assert find_header([["week", "phase", "fear"]], None).table == "ratings"
    assert find_header([["date", "phase"]], None) is None
    assert find_header([["phase", "rating"]], None) is None
    assert find_header([], None) is None


def test_titles_and_blank_rows_above_do_not_matter():
    found = find_header([["Log of spring"], [], ["", ""], RATINGS, ["2026-03-04", "A", "7"]], "ratings")
    assert (found.place, found.names, found.split) == (3, tuple(RATINGS), False)


def test_a_merged_cell_spreads_over_the_names_below_it():
    above = ["Child", "Ladder", "Date", "Kind", "Step", "Outcome", "Fear", "", ""]
    below = ["", "", "", "", "", "", "before", "peak", "at the end"]
    found = find_header(
        [above, below, ["C1", "gangway", "2026-03-04", "probe", "4", "completed", "7", "8", "5"]], None
    )
    assert (found.table, found.place, found.split) == ("observations", 1, True)
    assert found.names[6:] == ("Fear before", "Fear peak", "Fear at the end")


def test_a_row_of_scales_belongs_to_the_header():
    found = find_header([RATINGS, ["", "", "(0-10)"], ["2026-03-04", "A", "7"]], None)
    assert (found.place, found.split) == (1, True)


def test_a_header_further_down_than_anybody_puts_it_is_not_looked_for():
    assert find_header([["x"]] * 40 + [RATINGS], "ratings") is None


def test_the_table_is_taken_from_the_name_where_there_is_one():
    both = ["child_id", "ladder_id", "starts_on", "phase"]
    assert find_header([both], None).table == "phases"
    assert find_header([["child_id"]], "children").table == "children"
    assert find_header([["boat", "length"]], "children") is None
