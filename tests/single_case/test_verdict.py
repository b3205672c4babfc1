"""The verdict: its order of decision, its parts, its error rates."""

import itertools

import numpy as np
import pytest
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.simulate.ratings import simulate_ratings
from rungwise.single_case import verdict as v

SCALE = {"floor": 0, "ceiling": 10}
RNG = np.random.default_rng


def one(baseline, exposure, **options):
    rule = options.pop("rule", None)
    return v.verdict(PhaseSeries.from_phases(baseline, exposure, **{**SCALE, **options}), rule)


def series(baseline, exposure, label="", **options):
    return PhaseSeries.from_phases(baseline, exposure, label=label, **{**SCALE, **options})


def answers(**given):
    names = ("improved", "worsened", "falling", "beyond", "same", "enough", "room")
    defaults = {**dict.fromkeys(names, False), "enough": True, "room": True}
    return v.Answers(**{name: np.array([given.get(name, defaults[name])]) for name in names})


@pytest.mark.parametrize(
    ("given", "code"),
    [
        ({"improved": True, "beyond": True}, "fell_beyond_baseline"),
        ({"improved": True, "beyond": True, "falling": True}, "fell_beyond_baseline"),
        ({"improved": True, "falling": True}, "fell_baseline_may_explain"),
        ({"improved": True}, "fell_short_baseline"),
        ({}, "no_clear_change"),
        ({"beyond": True}, "no_clear_change"),
        ({"falling": True}, "no_clear_change"),
        ({"same": True}, "about_the_same"),
        ({"improved": True, "same": True}, "fell_short_baseline"),
        ({"worsened": True}, "rose"),
        ({"worsened": True, "room": False}, "rose"),
        ({"improved": True, "beyond": True, "room": False}, "no_room"),
        ({"worsened": True, "enough": False}, "too_few"),
        ({"improved": True, "beyond": True, "enough": False}, "too_few"),
    ],
)
def test_the_first_line_that_holds_decides(given, code):
    assert v.decide(answers(**given)).tolist() == [code]


def test_every_combination_of_answers_has_a_known_verdict():
    names = ("improved", "worsened", "falling", "beyond", "same", "enough", "room")
    for bits in itertools.product([False, True], repeat=len(names)):
        assert v.decide(answers(**dict(zip(names, bits, strict=True))))[0] in v.VERDICTS


@pytest.mark.parametrize(
    ("baseline", "exposure", "code"),
    [
        ([7, 8, 7, 8, 7, 8], [6, 6, 5, 5, 4, 4, 3, 3, 2, 2], "fell_beyond_baseline"),
        ([9, 9, 8, 8, 7, 7], [6, 6, 5, 5, 5, 4, 4, 4, 3, 3], "fell_baseline_may_explain"),
        ([9, 5, 8, 6, 9], [5, 5, 4, 6, 3, 4, 3, 2, 3, 2], "fell_short_baseline"),
        ([6, 9, 5, 8, 6, 9], [7, 9, 5, 8, 6, 8, 9, 6, 5, 8], "no_clear_change"),
        ([4, 5, 4, 3, 4, 5], [7, 8, 7, 8, 9, 8, 9, 7], "rose"),
        ([2, 1, 2, 2, 1], [0, 0, 1, 0, 0, 0, 0, 1], "no_room"),
        ([1, 1, 2, 2, 1], [5, 6, 6, 7, 6, 7, 8, 7], "rose"),
        ([7, 8], [3, 2, 3, 2, 1, 2], "too_few"),
        ([7, 8, 7], [3, 2, 3, 2], "too_few"),
    ],
)
def test_clear_series_get_the_verdict_a_reader_expects(baseline, exposure, code):
    verdict = one(baseline, exposure)
    assert verdict.code == code
    assert verdict.words == v.VERDICTS[code]


def test_a_steady_child_stayed_about_the_same():
    steady = [7, 7, 8, 7, 7, 8, 7, 7, 8, 7, 7, 8]
    assert one(steady, steady * 2).code == "about_the_same"
    assert one(steady, steady * 2, rule=v.Rule(margin=0.1)).code == "no_clear_change"


def test_a_child_whose_every_rating_is_equal_stayed_the_same():
    assert one([6] * 6, [6] * 10).code == "about_the_same"


def test_ties_can_leave_too_few_to_say():
    verdict = one([7, 7, 7], [7, 7, 7, 7, 6])
    assert verdict.smallest_p > 0.05
    assert verdict.code == "too_few"


def test_the_practice_sets_how_few_are_too_few():
    series = ([7, 8, 7, 8], [3, 2, 3, 2, 1, 2])
    assert one(*series).code != "too_few"
    assert one(*series, rule=v.Rule(minimum_baseline=5)).code == "too_few"
    assert one(*series, rule=v.Rule(minimum_exposure=7)).code == "too_few"


def test_turning_the_scale_round_turns_the_words_not_the_code():
    baseline, exposure = [7, 8, 7, 8, 7, 8], [6, 6, 5, 5, 4, 4, 3, 3, 2, 2]
    down = one(baseline, exposure)
    up = one([10 - x for x in baseline], [10 - x for x in exposure], better="higher")
    assert up.code == down.code
    assert up.words == "rose, beyond the baseline's own course"
    assert up.beyond_baseline.value == pytest.approx(-down.beyond_baseline.value)
    assert up.fell.p_value == down.fell.p_value


def test_a_decline_ranks_worse_than_any_rating():
    ratings = [8, 7, 8, 7, 8, 7, 8]
    declined = [False] * 7 + [True] * 5
    phases = ["baseline"] * 7 + ["exposure"] * 5
    series = PhaseSeries([*ratings, *[None] * 5], phases, declined=declined, **SCALE)
    assert v.verdict(series).code == "rose"


def test_declines_must_not_carry_question_c_alone():
    # Without the declined baseline occasions the exposure ratings only continue the baseline's fall.
    values = [None, None, 9, 8, 7, 7, 6, 6, 5, 5, 4, 4, 3, 3]
    declined = [value is None for value in values]
    phases = ["baseline"] * 5 + ["exposure"] * 9
    verdict = v.verdict(PhaseSeries(values, phases, declined=declined, **SCALE))
    assert verdict.without_declines is not None
    assert verdict.beyond_with_declines is not None
    assert verdict.code != "fell_beyond_baseline"
    assert v.DECLINES_BOTH_WAYS in verdict.cautions


def test_declines_on_an_unknown_scale_cannot_answer_question_c():
    values = [9, 9, 8, 9, 8, 9, 9, 8, 9, None, 5, 4, 4, 3, 3, 2, 2, 2, 1]
    declined = [value is None for value in values]
    phases = ["baseline"] * 10 + ["exposure"] * 9
    known = v.verdict(PhaseSeries(values, phases, declined=declined, **SCALE))
    unknown = v.verdict(PhaseSeries(values, phases, declined=declined))
    assert known.code == "fell_beyond_baseline"
    assert unknown.code == "fell_short_baseline"


def test_a_batch_gives_each_series_its_own_verdict():
    series = [
        PhaseSeries.from_phases([7, 8, 7, 8, 7, 8], [6, 6, 5, 5, 4, 4, 3, 3, 2, 2], **SCALE),
        PhaseSeries.from_phases([4, 5, 4, 3, None, 5], [7, 8, 7, 8, 9, None, 9, 7], **SCALE),
        PhaseSeries.from_phases([7], [8], **SCALE),
        PhaseSeries([5, 4, None], ["exposure"] * 3, declined=[False, False, True], **SCALE),
    ]
    together = v.verdicts(SeriesBatch.of(*series))
    assert together.codes.tolist() == [v.verdict(each).code for each in series]
    for many, each in zip(together, series, strict=True):
        alone = v.verdict(each)
        np.testing.assert_allclose(many.beyond_baseline.ci_low, alone.beyond_baseline.ci_low, rtol=1e-9)
        np.testing.assert_equal(many.fell.p_value, alone.fell.p_value)


@pytest.mark.parametrize(("slope", "phi"), [*itertools.product([0.0, -0.3], [0.0, 0.6])])
def test_a_child_without_effect_is_rarely_said_to_have_fallen_beyond_the_baseline(slope, phi):
    simulated = simulate_ratings(RNG(7), 600, 6, 14, start=8, baseline_slope=slope, phi=phi, sd=1.2)
    codes = v.verdicts(SeriesBatch.from_arrays(simulated.values, 6, **SCALE)).codes
    # 5 % of 600 is 30; 43 is where a true 5 % would be passed once in a hundred runs.
    assert np.sum(codes == "fell_beyond_baseline") <= 43


def test_a_large_effect_is_found():
    simulated = simulate_ratings(RNG(8), 300, 14, 10, start=8, level_change=-5, phi=0.2, sd=0.7)
    codes = v.verdicts(SeriesBatch.from_arrays(simulated.values, 14, **SCALE)).codes
    assert np.mean(codes == "fell_beyond_baseline") > 0.5
    assert np.mean([code in v.FELL for code in codes]) == 1.0


@pytest.mark.parametrize(
    ("setting", "message"),
    [
        ({"alpha": 0}, "alpha must be a number between 0 and 1; got 0."),
        ({"margin": -1}, "margin must be a number of 0 or more; got -1."),
        ({"minimum_baseline": -2}, "minimum_baseline must be a number of 0 or more; got -2."),
    ],
)
def test_a_rule_that_makes_no_sense_is_refused(setting, message):
    with pytest.raises(ValueError, match="^" + message.replace("(", r"\(") + "$"):
        v.Rule(**setting)


@pytest.mark.parametrize(
    "course",
    [
        {"start": 7, "level_change": -1.5, "slope_change": -0.2},
        {"start": 9, "baseline_slope": -0.3},
        {"start": 9.5, "decline_at": 9.6, "level_change": -2},
        {"start": 2.5},
        {"start": 5, "sd": 0.3, "missed": 0.2},
    ],
)
def test_codes_alone_are_the_codes_of_the_full_verdicts(course):
    batch = simulate_ratings(RNG(5), 150, 6, 10, phi=0.2, **course).batch()
    full = v.verdicts(batch)
    assert v.verdict_codes(batch).tolist() == full.codes.tolist()
    assert len(set(full.codes)) > 1
    # The level set and the interval of page and figure say the same.
    np.testing.assert_array_equal(
        v.surely_better(full.beyond_baseline, batch.sign, 0.05), full.beyond_baseline.ci_high < 0
    )


def test_getting_worse_is_called_at_the_one_sided_level():
    # All but two of the 21 pairs got worse: two-sided p = 8/120, one-sided 4/120.
    verdict = one([3, 4, 7], [5, 6, 8, 9, 10, 8.5, 9.5], ceiling=10)
    assert verdict.fell.p_value == pytest.approx(8 / 120)
    assert verdict.worse.p_value == pytest.approx(4 / 120)
    assert verdict.code == "rose"
    assert "one-sided, for getting worse, p = .033" in verdict.questions[0].numbers
    assert verdict.questions[0].reply == "no, the other way"


@pytest.mark.parametrize("top", [3, 10, 100])
def test_room_is_a_share_of_the_scale(top):
    def judged(share):
        low = [round(share * top, 6)] * 4 + [round(share * top, 6) + 0.01 * top] * 4
        return v.verdict(series(low, [0.0] * 10, ceiling=top)).code

    assert judged(0.15) == "no_room"
    assert judged(0.6).startswith("fell")


def test_a_rise_that_the_baseline_began_says_so():
    rising = v.verdict(series([3, 3, 4, 4, 5, 5], [5, 6, 6, 7, 6, 7, 7, 8, 8, 8]))
    assert rising.code == "rose"
    assert rising.cautions[0] == v.ALREADY_RISING
    flat = v.verdict(series([4, 3, 4, 3, 4, 3], [5, 6, 6, 7, 6, 7, 7, 8, 8, 8]))
    assert flat.code == "rose"
    assert v.ALREADY_RISING not in flat.cautions


def test_declines_are_never_about_the_same():
    steady = [7, 7, 8, 7, 7, 8, 7, 7, 8, 7, 7, 8]
    values = [*steady, *steady, None]
    phases = ["baseline"] * 12 + ["exposure"] * 13
    verdict = v.verdict(PhaseSeries(values, phases, declined=[x is None for x in values], **SCALE))
    assert verdict.code == "no_clear_change"


def test_question_c_says_which_way_and_why():
    def reply(baseline, exposure):
        return v.verdict(series(baseline, exposure)).questions[2].reply

    assert reply([7, 8, 7, 8, 7, 8], [6, 6, 5, 5, 4, 4, 3, 3, 2, 2]) == "yes"
    assert reply([9, 8, 7, 6, 6, 5, 4, 4], [4, 5, 5, 6, 6, 7, 7, 8, 8, 8]) == "no, the other way"


@pytest.mark.parametrize("lower", [True, False])
def test_question_c_is_the_other_way_only_if_declines_at_the_worst_end_say_the_same(lower):
    baseline, exposure = [5, 6, 5, 4, 5, 3], [4, 5, 5, 7, 8, None, 8, 6, 8, 7, 8, 9, 9, None, None]
    weeks = [0, 1, 2, 4, 5, 6, *range(7, 22)]
    values = [x if x is None or lower else 10 - x for x in [*baseline, *exposure]]
    phases = ["baseline"] * len(baseline) + ["exposure"] * len(exposure)
    declined = [x is None for x in values]
    better = "lower" if lower else "higher"
    given = SCALE | {"times": weeks, "declined": declined, "better": better}
    verdict = v.verdict(PhaseSeries(values, phases, **given))
    without, worst = verdict.beyond_baseline, verdict.beyond_with_declines
    assert (without.value > 0) == lower
    assert np.sign(without.ci_low) == np.sign(without.ci_high)
    assert worst.ci_low < 0 < worst.ci_high
    assert verdict.questions[2].reply == "cannot be told apart"


@pytest.mark.parametrize(
    ("top", "margin", "told"), [(10, 1.0, ()), (4, 1.0, (v.WIDE_MARGIN,)), (100, 15.0, ())]
)
def test_a_margin_that_is_much_of_the_scale_says_so(top, margin, told):
    low, high = 0.6 * top, 0.61 * top
    steady = v.verdict(series([low, high] * 3, [high, low] * 6, ceiling=top), v.Rule(margin=margin))
    assert steady.code == "about_the_same"
    assert tuple(said for said in steady.cautions if "margin" in said) == told


def test_a_margin_too_narrow_for_the_scale_says_so_where_nothing_clear_was_found():
    ratings = series([60, 70, 50, 65, 55], [62, 52, 66, 70, 51, 64, 57, 61], ceiling=100)
    assert v.verdict(ratings).code == "no_clear_change"
    assert v.NARROW_MARGIN in v.verdict(ratings).cautions
    assert v.NARROW_MARGIN not in v.verdict(ratings, v.Rule(margin=10.0)).cautions
