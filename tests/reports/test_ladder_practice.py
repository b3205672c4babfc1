"""The ladders of a whole practice: grouped by ladder, nothing said twice."""

from datetime import date
from pathlib import Path

from rungwise.ladders.review import review_ladders
from rungwise.reports.catalog import words_in
from rungwise.reports.ladder_practice import remarks_on
from rungwise.series.caseload import read_caseload


def test_a_remark_about_a_whole_ladder_names_no_step(tmp_path):
    (tmp_path / "ladders.csv").write_text("ladder_id,step,activity\nwall,1,a\nwall,2,b\n")
    *_, ladder, listed = remarks_on(read_caseload(tmp_path), None, words_in("en"))
    assert ladder.text == "wall"
    assert " ".join(listed.text.split()).startswith("- No attribute of its steps is recorded")


def test_remarks_stand_under_their_ladder_which_is_named_once():
    demo = read_caseload(Path(__file__).parents[2] / "data_demo" / "practice", today=date(2026, 11, 13))
    remarks = review_ladders(demo)
    ladders = list(dict.fromkeys(one.ladder_id for one in remarks))
    assert len(ladders) > 3
    heading, _, *blocks = remarks_on(demo, None, words_in("en"))
    assert heading.html == "<h3>Is the ladder a ladder?</h3>"
    assert [block.text for block in blocks[::2]] == ladders
    for ladder, listed in zip(ladders, blocks[1::2], strict=True):
        own = [one for one in remarks if one.ladder_id == ladder]
        assert listed.html.count("<li>") == len(own)
        assert all(f"Step {one.step}: " in listed.html for one in own)
        assert ladder not in listed.text
