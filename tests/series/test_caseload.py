from datetime import date
from hashlib import sha256

import numpy as np
import pytest
from rungwise.basis.errors import DataProblems
from rungwise.series.caseload import check, read_caseload
from rungwise.tables.table import InputFile

TODAY = date(2026, 11, 25)


@pytest.fixture
def folder(tmp_path):
    def build(**files):
        for name, text in files.items():
            (tmp_path / name.replace("__", ".")).write_text(text, encoding="utf-8")
        return tmp_path

    return build


ONE = """date,phase,rating
2026-03-25,exposure,6
2026-03-04,baseline,7
2026-03-11,baseline,8
2026-03-18,baseline,declined
"""


def test_a_file_with_nothing_but_date_phase_and_rating_is_one_child(folder):
    caseload = read_caseload(folder(one__csv=ONE) / "one.csv", today=TODAY)
    assert caseload.children == ("child",)
    assert caseload.ladders("child") == ("",)
    assert caseload.outcomes("child") == ("fear",)
    series = caseload.series("child")
    np.testing.assert_array_equal(series.values, [7, 8, np.nan, 6])
    np.testing.assert_array_equal(series.times, [0, 7, 14, 21])
    assert series.declined.tolist() == [False, False, True, False]
    assert series.phases.tolist() == ["baseline"] * 3 + ["exposure"]
    assert (series.floor, series.ceiling, series.better) == (0, 10, "lower")
    assert len(caseload.report) == 0
    assert caseload.level == 1


def test_ladders_and_outcomes_make_series_of_their_own(folder):
    rows = [
        "C1,gangway,2026-03-04,baseline,7,fear",
        "C1,gangway,2026-03-11,exposure,5,fear",
        "C1,dinghy,2026-03-04,baseline,6,fear",
        "C1,dinghy,2026-03-11,exposure,4,joy",
        "C2,,2026-03-04,baseline,3,fear",
    ]
    text = "child_id,ladder_id,date,phase,rating,outcome\n" + "\n".join(rows)
    caseload = read_caseload(folder(ratings__csv=text), today=TODAY)
    assert caseload.children == ("C1", "C2")
    assert caseload.ladders("C1") == ("dinghy", "gangway")
    assert caseload.outcomes("C1") == ("fear", "joy")
    assert caseload.ladders("C1", "joy") == ("dinghy",)
    assert caseload.series("C1", "gangway").values.tolist() == [7, 5]
    assert caseload.series("C1", outcome="joy").values.tolist() == [4]
    assert caseload.series("C1", outcome="joy").ceiling is None
    with pytest.raises(ValueError, match=r"ladder_id .* must be given for C1: one of 'dinghy', 'gangway'."):
        caseload.series("C1")
    with pytest.raises(ValueError, match=r"child_id must be one of 'C1', 'C2'; got 'C3'."):
        caseload.series("C3")
    with pytest.raises(ValueError, match=r"outcome must be one of 'fear'; got 'joy'."):
        caseload.series("C2", outcome="joy")
    assert caseload.batch().labels == ("C1 dinghy", "C1 gangway", "C2")
    assert caseload.batch("joy").labels == ("C1 dinghy, joy",)


def test_raters_are_never_pooled(folder):
    rows = [
        "2026-03-0{},baseline,{},{}".format(*row)
        for row in ((1, 7, "child"), (2, 6, "child"), (2, 3, "parent"))
    ]
    path = folder(ratings__csv="date,phase,rating,rated_by\n" + "\n".join(rows))
    caseload = read_caseload(path, today=TODAY)
    assert caseload.series("child").values.tolist() == [7, 6]
    assert caseload.series("child", rated_by="parent").values.tolist() == [3]
    assert caseload.raters("child") == ("child", "parent")
    assert [problem.code for problem in caseload.report] == ["raters_mixed"]
    with pytest.raises(ValueError, match=r"rated_by must be one of 'child', 'parent'; got 'teacher'."):
        caseload.series("child", rated_by="teacher")


def test_occasion_numbers_may_replace_dates(folder):
    text = "child_id,occasion,phase,rating\n" + "".join(f"S1,{n},baseline,{n}\n" for n in (3, 1, 2.5))
    caseload = read_caseload(folder(ratings__csv=text), today=TODAY)
    assert caseload.series("S1").times.tolist() == [1, 2.5, 3]
    assert caseload.series("S1").values.tolist() == [1, 2.5, 3]


def test_the_inputs_carry_their_fingerprint(folder):
    text = "date,phase,rating\n2026-03-04,baseline,7\n"
    (only,) = read_caseload(folder(ratings__csv=text), today=TODAY).inputs
    assert only == InputFile("ratings.csv", sha256(text.encode()).hexdigest(), len(text))


def test_nothing_usable_raises_with_the_report(tmp_path):
    with pytest.raises(DataProblems, match="no file or folder of this name") as raised:
        read_caseload(tmp_path / "absent.csv")
    assert [problem.code for problem in raised.value.report] == ["path_missing"]
    assert [problem.code for problem in check(tmp_path / "absent.csv")] == ["path_missing"]


def test_one_problem_is_the_whole_message(folder):
    with pytest.raises(DataProblems, match=r"^fear\.csv: No row names the columns of a known table"):
        read_caseload(folder(fear__csv="2026-03-02,A,7\n") / "fear.csv", today=TODAY)


def test_a_file_without_rows_asks_for_the_first_ratings(folder):
    with pytest.raises(DataProblems) as raised:
        read_caseload(folder(ratings__csv="date,phase,rating\n"), today=TODAY)
    assert str(raised.value).endswith(
        ": There are no rows yet. Type the first ratings in below the header."
    )


def test_a_blank_workbook_asks_for_the_first_ratings(tmp_path):
    from rungwise.tables.workbook import write_workbook

    with pytest.raises(DataProblems) as raised:
        read_caseload(write_workbook(tmp_path / "blank.xlsx", 3), today=TODAY)
    expected = "blank.xlsx: There are no rows yet. Type the first ratings in below the header."
    assert str(raised.value) == expected


def test_several_problems_are_counted(folder):
    text = "date,phase,rating\n2026-02-30,baseline,7\n2026-03-02,zzz,7\n"
    with pytest.raises(
        DataProblems, match=r"^Nothing in fear\.csv can be used; the report lists 2 problems\.$"
    ):
        read_caseload(folder(fear__csv=text) / "fear.csv", today=TODAY)


def test_caseloads_tables_and_reports_are_shown_in_one_line(folder):
    rows = [f"C{n:03d},2026-03-{day:02d},baseline,7" for n in range(1, 40) for day in (2, 9, 16)]
    text = "child_id,date,phase,rating\n" + "\n".join([*rows, "C001,2026-02-30,baseline,7"])
    caseload = read_caseload(folder(ratings__csv=text, children__csv="child_id\nC001\n"), today=TODAY)
    aside = "115 errors (115 rows set aside)"
    assert repr(caseload) == f"Caseload(ratings 3, children 1; {aside})"
    assert repr(caseload.report) == f"ProblemReport({aside})"
    assert repr(caseload.tables["ratings"]) == "Table(ratings: 3 rows)"
    sound = read_caseload(folder(ratings__csv="date,phase,rating\n2026-03-02,baseline,7\n") / "ratings.csv")
    assert repr(sound) == "Caseload(ratings 1; no problems)"


def test_problems_beside_sound_rows_raise_nothing(folder):
    text = "date,phase,rating\n2026-02-30,baseline,7\n2026-03-02,baseline,7\n"
    caseload = read_caseload(folder(ratings__csv=text), today=TODAY)
    assert [problem.code for problem in caseload.report] == ["date_unreadable"]
    assert caseload.series("child").values.tolist() == [7]
