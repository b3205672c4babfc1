"""What is missing is counted where it is missing, and bounds the verdict, NAP and Tau."""

from __future__ import annotations

import re
from datetime import date, timedelta

import numpy as np
import pytest
from rungwise.agreement.missing import answer_bounds
from rungwise.reports.agreement_section import child_agreement
from rungwise.reports.catalog import words_in
from rungwise.reports.missing_section import child_missing
from rungwise.series.caseload import read_caseload
from rungwise.single_case.child_answer import child_answer

pytestmark = pytest.mark.usefixtures("unprinted")

BASELINE, EXPOSURE = ["9", "9", "", "declined", "8"], ["7", "", "6", "5", "5", "4", "declined", "3", "2"]


@pytest.fixture
def read(tmp_path):
    def written(values, raters=("",)):
        lines = ["child_id,date,phase,rating,rated_by"]
        for rater in raters:
            for week, value in enumerate(values):
                day = date(2026, 1, 5) + timedelta(days=7 * week)
                lines.append(
                    f"C1,{day},{'baseline' if week < len(BASELINE) else 'exposure'},{value},{rater}"
                )
        (tmp_path / "ratings.csv").write_text("\n".join(lines) + "\n")
        return read_caseload(tmp_path, today=date(2026, 12, 31))

    return written


def words_of(blocks):
    return " ".join(" ".join(str(block) for block in blocks).split())


def test_missing_occasions_are_counted_by_phase_and_bound_the_answer(read):
    caseload = read([*BASELINE, *EXPOSURE])
    text = words_of(child_missing(child_answer(caseload, "C1")))
    assert "unnamed ladder baseline 5 3 1 1" in text
    assert "unnamed ladder exposure 9 7 1 1" in text
    # By hand: a decline is worse than any rating; it counts in exposure at worst, in baseline at best.
    declined = 99

    def share(before, after):
        pairs = [(x, y) for x in before for y in after]
        return sum((y < x) - (y > x) for x, y in pairs) / len(pairs)

    before = [declined if value == "declined" else int(value) for value in BASELINE if value]
    after = [declined if value == "declined" else int(value) for value in EXPOSURE if value]
    worst = share([*before, 0], [*after, declined])
    best = share([*before, declined], [*after, 0])
    for word, tau in (("badly", worst), ("well", best)):
        shown = f"NAP {(tau + 1) / 2:.2f}, Tau {tau:.2f}".replace("0.", ".")
        told = text.split(f"gone as {word} as it can")[1].split("Tau")[0]
        assert f"{told}{shown.split(', ')[1]}".endswith(shown)
    assert "Whether ratings go missing after worse ones:" in text
    assert "Occasions that nobody wrote down are not counted." in text


def test_nothing_missing_says_nothing(read):
    answer = child_answer(read([value or "6" for value in (*BASELINE, *EXPOSURE)]), "C1")
    assert child_missing(answer) == []
    assert answer_bounds(answer) is None


def test_a_child_without_any_rating_has_no_bounds_though_occasions_are_missing(read):
    always = ["" if value == "" else "declined" for value in (*BASELINE, *EXPOSURE)]
    text = words_of(child_missing(child_answer(read(always), "C1")))
    assert "A ladder has no rating at all, so the verdict has no bounds to give." in text
    assert "No occasion of baseline or exposure is missing" not in text


def test_every_filling_lies_between_the_bounds(read):
    bounds = answer_bounds(child_answer(read([*BASELINE, *EXPOSURE]), "C1"))
    assert bounds.missing == 2
    rng = np.random.default_rng(8)
    for _ in range(12):
        filled = [
            value or ("declined" if rng.random() < 0.3 else str(rng.integers(0, 11)))
            for value in (*BASELINE, *EXPOSURE)
        ]
        verdict = child_answer(read(filled), "C1").verdict
        assert bounds.worst.size.value <= verdict.size.value <= bounds.best.size.value
        assert bounds.worst.fell.value <= verdict.fell.value <= bounds.best.fell.value


@pytest.mark.parametrize("raters", [("",), ("child",), ("child", "parent")])
def test_no_english_is_left_on_a_spanish_page(read, raters):
    left = re.compile(
        r"\b(the|of|and|with|than|is|are|was|were|not|rating|ratings|baseline|exposure|child|children|fear|"
        r"declined|occasion|occasions|parent|shown|about|from|that|which|ladder|missing|trials)\b",
        re.IGNORECASE,
    )
    caseload = read([*BASELINE, *EXPOSURE], raters)
    spanish = words_in("es")
    blocks = child_agreement(caseload, child_answer(caseload, "C1"), spanish)
    text = words_of(blocks)
    assert spanish("missing.caption") in text
    assert not (found := left.search(text)), text[max(0, found.start() - 60) : found.end() + 60]
