"""The calibration card: the shipped rates, the caseload's own autocorrelation marked, nothing chosen."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from rungwise.audit.audit import audit_quarter
from rungwise.basis.page_numbers import format_bounded, of_hundred
from rungwise.reports import calibration_section as section
from rungwise.reports.child_page import day, trust, words_in
from rungwise.reports.manuscript import Rows
from rungwise.reports.shared_page import to_share
from rungwise.reports.study_inputs import read_study
from rungwise.reports.study_report import manuscript
from rungwise.series.caseload import read_caseload
from rungwise.single_case.child_answer import child_answer
from rungwise.single_case.error_rates import error_rates
from rungwise.single_case.pooled_autocorrelation import caseload_autocorrelation

pytestmark = pytest.mark.usefixtures("unprinted")

DEMO = Path(__file__).parents[2] / "data_demo"
TODAY = "2026-11-13"


@pytest.fixture(scope="module")
def caseload():
    return read_caseload(DEMO / "practice", today=day(TODAY))


@pytest.fixture(scope="module")
def audit(caseload):
    return audit_quarter(caseload, "2026Q3", today=TODAY)


@pytest.fixture(scope="module")
def study():
    return read_study(DEMO / "study/records", plan=DEMO / "study/plan.json", today=day(TODAY))


def said(block):
    return " ".join(str(block).split())


def test_the_audit_gives_the_shipped_rates_at_the_median_lengths(caseload, audit):
    judged = audit.children[audit.children["stage"] == "judged"]
    lengths = int(np.median(judged["n_baseline"])), int(np.median(judged["n_exposure"]))
    rates = error_rates(*lengths)
    card = section.practice_card(caseload, audit)
    rows = [line.split("  ") for line in card.text.splitlines() if line.startswith("0.")]
    assert [row[0][:3] for row in rows] == ["0.0", "0.2", "0.4", "0.6"]
    for row, phi in zip(rows, sorted(rates.wrong), strict=True):
        cells = [cell.strip() for cell in row[1:] if cell.strip()]
        assert cells[0] == of_hundred(rates.wrong[phi])
        assert cells[-1] == of_hundred(rates.found[phi])
    pooled = caseload_autocorrelation(caseload)
    assert format_bounded(pooled.value) in said(card)
    assert f"{int(pooled.counts['children'])} children" in said(card)
    marked = [row[0] for row in rows if "nearest" in row[0]]
    assert len(marked) == 1
    assert abs(float(marked[0][:3]) - pooled.value) <= 0.1


def test_the_edition_for_sharing_tells_neither_counts_nor_an_estimate_of_few(caseload, audit):
    shared = to_share(caseload, audit)
    pooled = caseload_autocorrelation(caseload)
    card = said(section.shared_card(caseload, shared))
    assert format_bounded(pooled.value) in card
    assert f"{int(pooled.counts['children'])} children" not in card
    few = replace(shared, threshold=int(pooled.counts["children"]) + 1)
    card = said(section.shared_card(caseload, few))
    assert "too few children to be shown" in card
    assert "nearest" not in card
    assert format_bounded(pooled.value) not in card


def test_a_study_shows_it_on_its_page_and_in_its_word_document(study):
    (card,) = section.study_cards(study.result)
    assert [row["Autocorrelation"][:3] for row in card.rows] == ["0.0", "0.2", "0.4", "0.6"]
    assert sum("nearest to this study" in row["Autocorrelation"] for row in card.rows) == 1
    parts = [part for part in manuscript(study) if isinstance(part, Rows)]
    assert card.caption in [part.caption for part in parts]
    # Tau errs far more where a baseline trend goes on; the change beyond the baseline does not.
    first = card.rows[0]
    assert int(first["Tau, mild trend"]) > 20 > int(first["Beyond, mild trend"])


@pytest.mark.parametrize(("lang", "words"), [("en", "nearest to this caseload"), ("es", "más cercana")])
def test_a_child_of_a_caseload_gets_the_mark_and_an_only_child_none(caseload, lang, words):
    answer = child_answer(caseload, "C014")
    with_it = said(trust(answer, words_in(lang), caseload))
    assert with_it.count(words) == 1
    assert words not in said(trust(answer, words_in(lang)))
    alone = read_caseload(DEMO / "one_child.csv", today=day(TODAY))
    only = child_answer(alone, alone.children[0])
    assert words not in said(trust(only, words_in(lang), alone))


def test_what_is_not_known_marks_nothing_and_says_so(caseload):
    pooled = caseload_autocorrelation(caseload)
    unknown = replace(pooled, value=float("nan"), ci_low=float("nan"), ci_high=float("nan"))
    assert section.marked(0.2, unknown) == "0.2"
    assert "too few" in section.about_caseload(unknown)[0]
    few = replace(pooled, ci_low=float("nan"), ci_high=float("nan"))
    assert "no interval" in section.about_caseload(few)[0]
    assert section.verdict_card((2, 3), pooled) is None
