"""The ladder on a page: nothing where nothing was recorded, and every number where it belongs."""

from __future__ import annotations

import json
import re
from datetime import date, timedelta
from pathlib import Path

import pytest
from rungwise.reports.blocks import Picture
from rungwise.reports.catalog import words_in
from rungwise.reports.ladder_section import child_ladders, practice_ladders
from rungwise.resources import shipped
from rungwise.series.caseload import read_caseload

pytestmark = pytest.mark.usefixtures("unprinted")

FIRST = date(2026, 1, 5)


def day(week):
    return FIRST + timedelta(days=7 * week)


@pytest.fixture(scope="module")
def write(tmp_path_factory):
    """Write a small practice: a child probed at step 3 of a ladder, practicing steps 1 to 3."""

    def written(*, extra=(), plans=()):
        place = tmp_path_factory.mktemp("practice")
        trials = ["child_id,ladder_id,date,trial,kind,step,outcome,fear_before,fear_peak,rated_by"]
        for week in range(14):
            declined = week in (0, 2)
            peak = "" if declined else 8 - week // 3
            outcome = "declined" if declined else "completed"
            trials.append(f"C1,wall,{day(week)},1,probe,3,{outcome},,{peak},child")
            if 4 <= week < 12:
                for number in (2, 3):
                    step = 1 if week < 6 else 2 if week < 9 else 3
                    trials.append(
                        f"C1,wall,{day(week)},{number},practice,{step},completed,,{3 + week % 2},child"
                    )
        trials.append(f"C1,slope,{day(1)},1,probe,1,completed,,6,child")
        trials.append(f"C1,slope,{day(7)},1,probe,1,completed,,5,child")
        files = {
            "observations": [*trials, *extra],
            "phases": ["child_id,ladder_id,starts_on,phase", f"C1,,{day(0)},baseline",
                       f"C1,,{day(4)},exposure", f"C1,,{day(12)},follow_up"],
            "plans": ["child_id,ladder_id,probe_step,primary,trained,planned_per_week",
                      "C1,wall,3,yes,yes,1", "C1,slope,1,yes,no,", *plans],
            "ladders": ["ladder_id,step,activity", "wall,1,low & wide", "wall,2,two", "wall,3,three",
                        "slope,1,one"],
        }  # fmt: skip
        for name, lines in files.items():
            (place / f"{name}.csv").write_text("\n".join(lines) + "\n")
        return read_caseload(place, today=date(2026, 12, 31))

    return written


@pytest.fixture(scope="module")
def section(write):
    """The section about the child."""
    return child_ladders(write(), "C1")


@pytest.fixture
def level_1(tmp_path):
    rows = "\n".join(
        f"C1,{day(week)},{'baseline' if week < 4 else 'exposure'},{9 - week // 2}" for week in range(10)
    )
    (tmp_path / "ratings.csv").write_text(f"child_id,date,phase,rating\n{rows}\n")
    return read_caseload(tmp_path, today=date(2026, 12, 31))


def test_a_ladder_practiced_before_exposure_only_stands_without_a_word_on_mastery(write):
    text = str(child_ladders(write(extra=[f"C1,slope,{day(1)},2,practice,1,completed,,5,child"]), "C1"))
    stands = text.split("Where C1 stands: slope")[1].split("Where C1 stands")[0]
    assert "Last practiced on" in stands
    assert "astered" not in stands


def test_without_trials_there_is_no_section(level_1):
    assert child_ladders(level_1, "C1") == ()
    assert practice_ladders(level_1) == ()


def test_the_section_says_where_the_child_stands_and_that_a_clinician_decides(section):
    text = str(section)
    assert text.startswith("On the ladder\n")
    assert "step 3 of 3 (three), offered on 14 days so far." in text
    assert "Whether to step up, hold or step back is decided by a" in text
    assert "What stands under “Before anyone acts on this page” holds here too." in " ".join(text.split())
    assert "Incidents were not recorded, which is not the same as none." in text


def test_a_page_about_a_child_has_one_box_of_cautions_right_before_the_ladder(write):
    boxes = [one for one in child_ladders(write(), "C1") if getattr(one, "html", "").startswith("<aside")]
    assert boxes == []
    notebook = json.loads((shipped("notebooks") / "one_child.ipynb").read_text(encoding="utf-8"))
    sources = ["".join(cell["source"]) for cell in notebook["cells"]]
    place = next(i for i, source in enumerate(sources) if "child_ladders" in source)
    assert sources[place - 1] == "page.safety(say)"


def test_only_practiced_ladders_are_mapped(section):
    pictures = [block for block in section if isinstance(block, Picture)]
    maps = [one for one in pictures if one.alt.startswith("Map of")]
    assert len(maps) == 1
    assert pictures[0].alt.startswith("Map of 30 trials on 14 days. Practice began at step 1")
    assert "2 trials declined, at step 3." in pictures[0].alt
    assert pictures[0].narrow


def test_other_contrasts_stand_by_themselves_without_the_counted_one(section):
    text = str(section)
    table = text.split("Other probes and later phases, each by itself\n")[1].split("\n\n")[0]
    rows = [line for line in table.splitlines()[1:] if "step" in line and "against" not in line]
    assert rows[0].startswith("wall, step 3 (primary probe step)  follow-up         4 and 2    2 and 0")
    assert rows[1].startswith("slope, step 1 (untrained ladder)   exposure          1 and 1")
    # The middle of two ratings and two declines is itself a decline.
    assert "declined and 4" in rows[0]


def test_practice_ratings_have_no_p_and_say_why(section):
    text = str(section)
    practice = text.split("Practice ratings, step by step")[1].split("Other probes")[0]
    assert not re.search(r"\bp\b", practice.split("Practice ratings have no p-value")[0])
    assert "Practice ratings have no p-value here." in practice
    assert "wall 2" in practice
    assert "[Figure] Practice on the wall, early and late at each step." in practice


def test_text_from_the_files_cannot_become_markup(write, section):
    html = "\n".join(block.html for block in section if not isinstance(block, Picture))
    assert "low &amp; wide" not in html  # step 1 is not where the child stands
    stands = child_ladders(write(extra=[f"C1,wall,{day(13)},5,practice,1,completed,,2,child"]), "C1")
    html = "\n".join(block.html for block in stands if not isinstance(block, Picture))
    assert "low &amp; wide" in html


def test_the_practice_s_section_counts_the_steps_practiced(write):
    blocks = practice_ladders(write())
    text = str(blocks)
    assert "every step that a child practiced, 3 steps in all" in " ".join(text.split())
    assert sum(isinstance(block, Picture) for block in blocks) == 1
    assert "No step was practiced by 5 children or more." in " ".join(text.split())
    assert "At least two programs are needed; 1 program entered." in text


def test_what_became_of_the_steps_stands_under_the_criterion(section):
    told = " ".join(str(section).split())
    where = [
        told.index(words)
        for words in ("The practice's own criterion (3 or less", "No step is mastered so far", "Rating ")
    ]
    assert where == sorted(where)


def test_step_adjusted_fear_and_its_version_by_rank_are_shown_or_refused_with_the_reason(section):
    told = " ".join(str(section).split())
    adjusted = told.split("With the step's difficulty taken into account")[1].split("Practice ratings")[0]
    assert "wall: at one and the same difficulty, fear changed by" in adjusted
    assert "By the order of the ratings alone, declines ranked worst" in adjusted
    assert "[Figure] Fear expected at the probe step of the wall" in adjusted


def test_step_and_time_that_go_together_are_refused_on_the_page(tmp_path):
    rows = ["child_id,ladder_id,date,trial,kind,step,outcome,fear_peak,rated_by"]
    rows += [
        f"C1,wall,{day(week)},1,practice,{week + 1},completed,{5 - week % 2},child" for week in range(8)
    ]
    (tmp_path / "observations.csv").write_text("\n".join(rows) + "\n")
    (tmp_path / "phases.csv").write_text(f"child_id,ladder_id,starts_on,phase\nC1,,{day(0)},exposure\n")
    (tmp_path / "plans.csv").write_text("child_id,ladder_id,probe_step\nC1,wall,4\n")
    told = " ".join(str(child_ladders(read_caseload(tmp_path), "C1")).split())
    assert (
        "wall: cannot be said. Step and time go together too closely to tell apart (correlation 1.00"
        in told
    )
    assert "Fear expected at the probe step" not in told
    spanish = " ".join(str(child_ladders(read_caseload(tmp_path), "C1", words_in("es"))).split())
    assert "El paso y el tiempo van demasiado juntos para separarlos (correlación 1.00" in spanish


APPROACHES = [
    f"C1,wall,{day(week)},{5 + step},approach,{step},{'completed' if step <= top else 'declined'},,"
    f"{5 if step <= top else ''},child"
    for week, top in ((0, 1), (3, 0), (5, 2), (9, 2))
    for step in range(1, top + 2)
]


def test_approach_has_its_scores_its_tau_its_picture_and_its_declines(write):
    text = str(child_ladders(write(extra=APPROACHES), "C1"))
    section = text.split("How far up the child goes before saying no")[1].split("With the step's")[0]
    told = " ".join(section.split())
    assert "wall 1, 0 2, 2 1.00 .33 .33" in told
    assert "[Figure] Approach on the wall" in section
    assert "wall step 3, 2 of 2 times offered" in told


def test_planned_probes_of_several_steps_are_told(write):
    extra = [f"C1,wall,{day(week)},9,probe,2,completed,,{7 - week // 3},child" for week in range(12)]
    caseload = write(extra=extra, plans=["C1,wall,2,no,yes,1"])
    told = " ".join(str(child_ladders(caseload, "C1")).split())
    assert "Steps 2 and 3 of the wall were all probed on planned days." in told
    assert re.search(r"p (<|=) \.\d+ over orders of 12 days", told)


def test_habituation_within_and_between_is_told_with_its_warning(tmp_path):
    rows = ["child_id,ladder_id,date,trial,kind,step,outcome,fear_peak,fear_end,rated_by"]
    rows += [f"C1,wall,{day(week)},1,practice,2,completed,{8 - week},{6 - week},child" for week in range(4)]
    (tmp_path / "observations.csv").write_text("\n".join(rows) + "\n")
    told = " ".join(str(child_ladders(read_caseload(tmp_path), "C1")).split())
    assert (
        "wall: within a practice occasion fear fell by 2.0 points from its peak to its end, on average "
        "over 4 occasions; 2.0 in the first half of them, 2.0 in the second." in told
    )
    assert "wall 2 4 8.0 5.0 −1.0" in told
    assert "this is a description and is never tested" in told


LEFT_IN_ENGLISH = re.compile(
    r"\b(the|of|and|with|than|is|are|was|were|not|rating|ratings|baseline|exposure|step|steps|child|children|"
    r"fear|declined|day|days|shown|about|from|that|which|ladder|ladders|trial|trials)\b",
    re.IGNORECASE,
)


@pytest.fixture(scope="module")
def demo():
    root = Path(__file__).resolve().parents[2]
    return read_caseload(root / "data_demo" / "practice", today=date(2026, 11, 13))


def test_no_english_is_left_on_a_spanish_page(demo, write):
    spanish = words_in("es")
    ladders = demo.tables["ladders"]
    recorded = sorted({str(word) for word in ladders["activity"]}, key=len, reverse=True)
    left = {}
    pages = [str(child_ladders(demo, child, spanish)) for child in demo.children[::12]]
    pages += [
        str(practice_ladders(demo, spanish)),
        str(child_ladders(write(extra=APPROACHES), "C1", spanish)),
    ]
    for page in pages:
        plain = " ".join(page.split())
        for word in recorded:
            plain = plain.replace(word, "…")
        for found in LEFT_IN_ENGLISH.finditer(plain):
            left.setdefault(found[0], plain[max(0, found.start() - 80) : found.end() + 60])
    assert left == {}
