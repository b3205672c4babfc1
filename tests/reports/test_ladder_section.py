"""The ladder on a page: nothing where nothing was recorded, and every number where it belongs."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from rungwise.reports.blocks import Picture
from rungwise.reports.ladder_section import child_ladders, practice_ladders
from rungwise.series.caseload import read_caseload

FIRST = date(2026, 1, 5)


def day(week):
    return FIRST + timedelta(days=7 * week)


@pytest.fixture
def write(tmp_path):
    """Write a small practice: a child probed at step 3 of a ladder, practicing steps 1 to 3."""

    def written(*, notes=("plain",), extra=()):
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
                      "C1,wall,3,yes,yes,1", "C1,slope,1,yes,no,"],
            "ladders": ["ladder_id,step,activity", "wall,1,low & wide", "wall,2,two", "wall,3,three",
                        "slope,1,one"],
        }  # fmt: skip
        for name, lines in files.items():
            (tmp_path / f"{name}.csv").write_text("\n".join(lines) + "\n")
        return read_caseload(tmp_path, today=date(2026, 12, 31))

    return written


@pytest.fixture
def level_1(tmp_path):
    rows = "\n".join(
        f"C1,{day(week)},{'baseline' if week < 4 else 'exposure'},{9 - week // 2}" for week in range(10)
    )
    (tmp_path / "ratings.csv").write_text(f"child_id,date,phase,rating\n{rows}\n")
    return read_caseload(tmp_path, today=date(2026, 12, 31))


def test_without_trials_there_is_no_section(level_1):
    assert child_ladders(level_1, "C1") == ()
    assert practice_ladders(level_1) == ()


def test_the_section_says_where_the_child_stands_and_that_a_clinician_decides(write):
    text = str(child_ladders(write(), "C1"))
    assert text.startswith("On the ladder\n")
    assert "step 3 of 3 (three), offered on 14 days so far." in text
    assert "Whether to step up, hold or step back is decided by a" in text
    assert "Supervise, never coerce" in " ".join(text.split())
    assert "Incidents were not recorded, which is not the same as none." in text


def test_only_practiced_ladders_are_mapped(write):
    pictures = [block for block in child_ladders(write(), "C1") if isinstance(block, Picture)]
    assert len(pictures) == 1
    assert pictures[0].alt.startswith("Map of 30 trials on 14 days. Practice began at step 1")
    assert "2 trials declined, at step 3." in pictures[0].alt
    assert pictures[0].narrow


def test_other_contrasts_stand_by_themselves_without_the_counted_one(write):
    text = str(child_ladders(write(), "C1"))
    table = text.split("Other probes and later phases, each by itself\n")[1].split("\n\n")[0]
    rows = [line for line in table.splitlines()[1:] if "step" in line and "against" not in line]
    assert rows[0].startswith("wall, step 3 (primary probe step)  follow-up         4 and 2    2 and 0")
    assert rows[1].startswith("slope, step 1 (untrained ladder)   exposure          1 and 1")
    # The middle of two ratings and two declines is itself a decline.
    assert "declined and 4" in rows[0]


def test_practice_ratings_have_no_p_and_say_why(write):
    text = str(child_ladders(write(), "C1"))
    table = text.split("Practice ratings, step by step")[1].split("\n\n")[0]
    assert " p " not in table.split("Practice ratings have no p-value")[0]
    assert "Practice ratings have no p-value here." in table
    assert "wall 2" in table


def test_text_from_the_files_cannot_become_markup(write):
    html = "\n".join(block.html for block in child_ladders(write(), "C1") if not isinstance(block, Picture))
    assert "low &amp; wide" not in html  # step 1 is not where the child stands
    stands = child_ladders(write(extra=[f"C1,wall,{day(13)},5,practice,1,completed,,2,child"]), "C1")
    html = "\n".join(block.html for block in stands if not isinstance(block, Picture))
    assert "low &amp; wide" in html


def test_the_practice_s_section_counts_the_steps_practiced(write):
    blocks = practice_ladders(write())
    text = str(blocks)
    assert "every step that a child practiced, 3 steps in all" in " ".join(text.split())
    assert sum(isinstance(block, Picture) for block in blocks) == 1
    assert "wall 3" in text
    assert "At least two programs are needed; 1 program entered." in text
