"""What would settle the question is said for every verdict, with numbers that hold."""

from __future__ import annotations

import csv
from dataclasses import replace
from itertools import combinations

import pytest
from rungwise.reports import words
from rungwise.reports.catalog import words_in
from rungwise.reports.words import GLOSSARY, NUMBERS, SAFETY, glossary, most_distinct, to_find_out
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.error_rates import TABLE, ErrorRates, error_rates
from rungwise.single_case.verdict import VERDICTS


def with_lengths(answer, n_baseline, n_exposure):
    series = PhaseSeries.from_phases([7] * n_baseline, [5] * n_exposure)
    return replace(answer, ladders=(replace(answer.ladders[0], series=series),))


@pytest.mark.parametrize("code", VERDICTS)
def test_every_verdict_has_something_to_find_out_in_full_sentences(code, answer_of, monkeypatch):
    monkeypatch.setattr(words, "error_rates", lambda n_baseline, n_exposure: None)
    sentences = to_find_out(answer_of(code))
    assert sentences
    assert all(sentence[0].isupper() and sentence.endswith(".") for sentence in sentences)


@pytest.mark.parametrize(("n_baseline", "n_exposure"), [(3, 5), (4, 4), (2, 6), (5, 3)])
def test_the_smallest_p_is_the_one_enumeration_finds(n_baseline, n_exposure):
    ranks = range(n_baseline + n_exposure)
    sums = [sum(chosen) for chosen in combinations(ranks, n_exposure)]
    extremes = sums.count(min(sums)) + sums.count(max(sums))
    assert most_distinct(n_baseline, n_exposure) == pytest.approx(extremes / len(sums))


@pytest.mark.parametrize(
    ("n_baseline", "n_exposure", "needed"),
    [
        (3, 2, 3),  # the practice's own minimum of 5 decides: 2 / C(8, 5) = .036
        (3, 4, 1),
        (4, 4, 1),
    ],
)
def test_how_many_more_occasions_are_needed_until_it_can_be_answered(
    answer_of, n_baseline, n_exposure, needed
):
    first = to_find_out(with_lengths(answer_of("too_few"), n_baseline, n_exposure))[0]
    assert first.startswith(f"At least {needed} more exposure occasion")
    assert f"({n_exposure + needed} in all)" in first


def test_a_level_hard_to_reach_needs_more_occasions_than_the_minimum(answer_of):
    answer = with_lengths(answer_of("too_few"), 3, 5)
    strict = replace(answer, rule=replace(answer.rule, alpha=0.01))
    # 2 / C(3 + m, 3) <= .01 needs C(3 + m, 3) >= 200: m = 8 gives 165, m = 9 gives 220.
    assert "(9 in all)" in to_find_out(strict)[0]


def test_too_short_a_baseline_is_not_cured_by_more_exposure(answer_of):
    first = to_find_out(with_lengths(answer_of("too_few"), 2, 6))[0]
    assert first.startswith("There are 2 baseline occasions and at least 3 are needed")


def test_ratings_too_alike_are_not_cured_by_counting_occasions(answer_of):
    first = to_find_out(with_lengths(answer_of("too_few"), 6, 12))[0]
    assert first.startswith("So many ratings are equal that these occasions are too few")


def test_where_every_probe_was_declined_no_more_of_them_are_asked_for(answer_of):
    series = PhaseSeries([None] * 11, ["baseline"] * 5 + ["exposure"] * 6, None, [True] * 11)
    answer = answer_of("too_few")
    answer = replace(answer, ladders=(replace(answer.ladders[0], series=series),))
    [told] = to_find_out(answer)
    assert told.startswith("Every probe was declined")


def test_lengths_of_different_ladders_are_never_put_together(answer_of):
    long_baseline = with_lengths(answer_of("too_few"), 6, 2).ladders
    long_exposure = with_lengths(answer_of("too_few"), 2, 12).ladders
    answer = replace(answer_of("too_few"), ladders=long_baseline + long_exposure)
    assert to_find_out(answer)[0].startswith("At least 3 more exposure occasions")
    assert not words.enough_occasions(answer)


def test_later_probes_are_told_by_phase_with_their_range(answer_of):
    first, *_ = to_find_out(answer_of())
    assert first == "Whether it lasts, the later probes show so far: 2 maintenance ratings from 1 to 2."
    phases = ["baseline", "exposure", "maintenance", "follow_up", "follow_up"]
    series = PhaseSeries([8, 3, 2, 2.5, None], phases, None, [0, 0, 0, 0, 1])
    answer = replace(answer_of(), ladders=(replace(answer_of().ladders[0], series=series),))
    assert words.later_probes(answer) == (
        "Whether it lasts, the later probes show so far: 1 maintenance rating at 2, "
        "1 follow-up rating at 2.5 and 1 declined in follow-up."
    )
    answer = with_lengths(answer_of(), 5, 10)
    assert to_find_out(answer)[0].startswith("Probes at the same step in maintenance and follow-up show")


def test_a_child_on_two_ladders_is_not_told_to_start_a_second_one(answer_of):
    two = " ".join(to_find_out(answer_of("fell_short_baseline", 2)))
    assert "second ladder" not in two
    assert "one more ladder" in two


def rates(found):
    wrong, power, found = {0.0: 0.01, 0.6: 0.05}, {0.0: 0.1, 0.6: 0.05}, {0.0: found + 0.1, 0.6: found}
    return ErrorRates(5, 10, wrong, power, "a fall of 3 points", found)


def test_no_clear_change_says_how_surely_it_would_have_been_seen_and_when_it_would(answer_of, monkeypatch):
    monkeypatch.setattr(words, "error_rates", lambda n_baseline, n_exposure: rates(0.05 * n_exposure))
    answer = replace(with_lengths(answer_of("no_clear_change"), 5, 10), rates=rates(0.5))
    first, second, *_ = to_find_out(answer)
    assert "Of 100 simulated children with a fall of 3 points, 50 to 60 are seen to have changed" in first
    assert second == (
        "With 6 more exposure occasions at the same probe step it would be at least 80 of 100."
    )


def test_where_a_real_change_would_have_been_seen_no_more_occasions_are_asked_for(answer_of):
    answer = replace(answer_of("no_clear_change"), rates=rates(0.85))
    assert not any("more exposure occasion" in sentence for sentence in to_find_out(answer))


def test_where_more_occasions_would_not_help_it_says_so(answer_of, monkeypatch):
    monkeypatch.setattr(words, "error_rates", lambda n_baseline, n_exposure: rates(0.5))
    answer = replace(answer_of("no_clear_change"), rates=rates(0.5))
    assert "would not bring that to 80 of 100" in to_find_out(answer)[1]


def test_the_share_seen_is_the_sum_of_all_verdicts_that_say_fell():
    with TABLE.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    [row] = [
        row
        for row in rows
        if (row["n_baseline"], row["n_exposure"], row["phi"]) == ("5", "12", "0.4")
        and (row["trend"], row["place"], row["effect"]) == ("none", "middle", "standard")
    ]
    not_fallen = ("no_clear_change", "about_the_same", "rose", "too_few", "no_room")
    assert error_rates(5, 12).found[0.4] == pytest.approx(1 - sum(float(row[code]) for code in not_fallen))


@pytest.mark.parametrize("lang", ["en", "es"])
def test_every_number_has_a_line_for_what_it_says_and_for_what_it_does_not(lang):
    say = words_in(lang)
    for number in NUMBERS:
        assert say(f"meaning.{number}.says").endswith(".")
        assert say(f"meaning.{number}.not").endswith(".")


@pytest.mark.parametrize("lang", ["en", "es"])
def test_the_glossary_gives_every_term_its_meaning_once(lang):
    told = glossary(words_in(lang))
    terms = [sentence.split(":")[0] for sentence in told]
    assert len(set(terms)) == len(GLOSSARY)
    assert all(sentence.split(": ", 1)[1].endswith(".") for sentence in told)


def test_a_scale_where_higher_is_better_is_spoken_of_the_other_way_round(answer_of):
    answer = answer_of("rose")
    series = PhaseSeries.from_phases([7] * 5, [5] * 10, better="higher")
    turned = replace(answer, ladders=(replace(answer.ladders[0], series=series),))
    assert "A rise says that something changed" in to_find_out(answer)[0]
    assert "Ratings that go down say that something changed" in to_find_out(turned)[0]
    turned = replace(turned, verdict=replace(turned.verdict, code="no_clear_change"), rates=rates(0.85))
    assert "children with a rise of 3 points" in to_find_out(turned)[0]


@pytest.mark.parametrize(
    "needed",
    ["clinician decides", "Never coerce", "Stop at signs", "Medical clearance comes first", "Local codes",
     "licensed practice", "within reach", "not a clinical guideline"],
)  # fmt: skip
def test_the_usual_cautions_are_all_there(needed):
    assert needed in " ".join(SAFETY)
