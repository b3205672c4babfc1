"""Every category follows from the numbers of its own row as they are printed, and from nothing else."""

from __future__ import annotations

import re
from datetime import date

import numpy as np
import pytest
from rungwise.change.classify import classify_changes
from rungwise.change.cutoffs import clinical_cutoffs
from rungwise.change.reference import Reference
from rungwise.change.reliable_change import METHODS, reliable_change_batch
from rungwise.reports.blocks import Block
from rungwise.reports.catalog import words_in
from rungwise.reports.change_section import child_change
from rungwise.reports.change_tables import category_words, score_words, worked
from rungwise.series.caseload import read_caseload

pytestmark = pytest.mark.usefixtures("unprinted")

ENGLISH, SPANISH = words_in("en"), words_in("es")
KNOWN = Reference(
    sd=5, reliability=0.92, mean=20, post_sd=6, post_mean=18, retest_correlation=0.7, practice_effect=-1,
    n=60,
)  # fmt: skip


def number(text):
    return float(text.replace("−", "-"))


def by_hand(cells, say=ENGLISH):
    """Work the category out of a printed row with a pencil: subtract, divide, compare."""
    read = {name: cells[say(f"change.{name}")] for name in ("first", "later", "better", "expected", "error",
                                                         "critical", "cutoff")}  # fmt: skip
    if "–" in (read["first"], read["later"], read["expected"], read["error"]):
        return "cannot_be_said"
    first, later, expected, error = (number(read[name]) for name in ("first", "later", "expected", "error"))
    turn = -1 if read["better"] == say("change.better.lower") else 1
    index = turn * (later - expected) / error
    if index < -number(read["critical"]):
        return "deteriorated"
    if index <= number(read["critical"]):
        return "unchanged"
    if read["cutoff"] == "–":
        return "improved_unsaid"
    beyond = [turn * score > turn * number(read["cutoff"]) for score in (first, later)]
    return "recovered" if beyond == [False, True] else "improved"


def judged(method, better, pre, post, *, cutoffs=True, reference=KNOWN):
    changes = reliable_change_batch(pre, post, reference, better=better, method=method)
    ahead = 10 if better == "lower" else 30
    known = clinical_cutoffs(
        clinical_mean=20, clinical_sd=5, functional_mean=ahead if cutoffs else None, functional_sd=4,
        better=better,
    )  # fmt: skip
    return classify_changes(changes, known)


@pytest.mark.parametrize("better", ["lower", "higher"])
@pytest.mark.parametrize("method", METHODS)
def test_the_printed_row_alone_gives_the_category(method, better):
    rng = np.random.default_rng(11)
    pre = np.round(rng.normal(20, 6, 300), rng.integers(0, 3))
    post = np.where(rng.random(300) < 0.1, np.nan, np.round(rng.normal(17, 9, 300), 1))
    classes = judged(method, better, pre, post)
    seen = set()
    for i in range(len(classes)):
        row = worked(classes, i, better=better)
        category = classes.categories[i]
        assert by_hand(row) == category
        assert row["Change"] == category_words(category)
        if category != "cannot_be_said":
            error, index = number(row["Error"]), abs(number(row["Index"]))
            again = abs(number(row["Later"]) - number(row["Expected"])) / error
            # Rounding of expected score and error to two decimals, and of the index itself.
            assert abs(again - index) <= 0.005 * (again + 1) / error + 0.0051
        seen.add(category)
    assert seen == {"recovered", "improved", "unchanged", "deteriorated", "cannot_be_said"}


@pytest.mark.parametrize("better", ["lower", "higher"])
def test_near_an_edge_there_are_as_many_decimals_as_the_category_needs(better):
    """Scores a hair on either side of the critical change and of the cutoff."""
    turn = -1 if better == "lower" else 1
    cutoff = judged("jacobson_truax", better, [20.0], [20.0]).cutoff.value
    edge = 1.959963984540054 * np.sqrt(2) * KNOWN.standard_error
    hairs = np.array([-1e-3, -1e-4, 1e-4, 1e-3])
    change_edge = 20 + turn * (edge + hairs)
    cutoff_edge = cutoff + turn * hairs
    pre = np.concatenate([np.full(4, 20.0), np.full(4, cutoff - turn * 8), cutoff - turn * np.zeros(1)])
    post = np.concatenate([change_edge, cutoff_edge, [cutoff + turn * 8]])
    classes = judged("jacobson_truax", better, pre, post)
    assert classes.categories[:8].tolist() == ["unchanged"] * 2 + ["improved"] * 4 + ["recovered"] * 2
    digits = set()
    for i in range(8):
        row = worked(classes, i, better=better)
        assert by_hand(row) == classes.categories[i]
        digits.add(len(row["Index"].split(".")[1]))
    assert min(digits) == 2
    assert max(digits) > 3


def test_without_a_cutoff_it_is_said_that_recovery_cannot_be():
    row = worked(judged("jacobson_truax", "lower", [30.0], [10.0], cutoffs=False), 0, better="lower")
    assert by_hand(row) == "improved_unsaid"
    assert row["Change"] == "improved (whether recovered cannot be said)"
    nothing = worked(
        judged("jacobson_truax", "lower", [30.0], [10.0], reference=Reference(sd=5)), 0, better="lower"
    )
    assert by_hand(nothing) == "cannot_be_said"
    assert nothing["Change"] == "cannot be said"


def test_scores_keep_the_decimals_they_have():
    assert [score_words(x) for x in (12.0, 12.5, 12.25, 0.1 + 0.2, np.nan, -3.0)] == [
        "12", "12.5", "12.25", "0.300000", "–", "−3",
    ]  # fmt: skip


MEASURES = [
    "measure_id,title,better,minimum,maximum,reliability,reliability_kind,retest_days,clinical_mean,"
    "clinical_sd,functional_mean,functional_sd,practice_effect,source",
    "MOVEFEAR,Fear,lower,0,60,0.84,test_retest,14,40,10,20,10,-1,manual table 4",
    "DAYOUT,Days,higher,0,80,,,,40,10,,,,",
]


@pytest.mark.parametrize("say", [ENGLISH, SPANISH], ids=lambda say: say.lang)
def test_the_page_of_a_child_holds_all_that_a_category_needs(tmp_path, say):
    scores = ["child_id,measure_id,date,occasion,score,rated_by"]
    for i, (pre, post) in enumerate([(45, 20), (55, 38), (45, 42), (40, 55)]):
        for measure in ("MOVEFEAR", "DAYOUT"):
            scores.append(f"C{i},{measure},2026-01-05,intake,{pre},parent")
            scores.append(f"C{i},{measure},2026-06-01,discharge,{post},parent")
    ratings = [f"C{i},2026-01-05,baseline,7" for i in range(4)]
    for name, lines in (
        ("ratings", ["child_id,date,phase,rating", *ratings]),
        ("measures", MEASURES),
        ("assessments", scores),
    ):
        (tmp_path / f"{name}.csv").write_text("\n".join(lines) + "\n")
    caseload = read_caseload(tmp_path, today=date(2026, 12, 31))
    found = set()
    for child in caseload.children:
        first, *_ = (block for block in child_change(caseload, child, say) if isinstance(block, Block)
                     and "<table>" in block.html)  # fmt: skip
        heads, *lines = (
            re.findall(r"<t[hd][^>]*>([^<]*)</t[hd]>", row)
            for row in re.findall(r"<tr>.*?</tr>", first.html)
        )
        for place, _ in enumerate(heads[1:], start=1):
            cells = {line[0]: line[place] for line in lines}
            category = by_hand(cells, say)
            assert cells[say("change.verdict")] == say(f"change.category.{category}")
            found.add(category)
    assert found == {"recovered", "improved", "unchanged", "deteriorated", "cannot_be_said"}
