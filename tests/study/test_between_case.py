"""The between-case effect against full-matrix twins, published arithmetic, and its edges."""

import numpy as np
import pytest
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.study import between_case as bc


def study(seed, m=5, effect=1.0, better="higher", staggered=True, occasions=14):
    rng = np.random.default_rng(seed)
    series = []
    for i in range(m):
        start = 4 + (2 * (i % 3) if staggered else 0)
        y = rng.normal() + rng.normal(size=occasions)
        y[start:] += effect
        series.append(PhaseSeries.from_phases(y[:start], y[start:], better=better))
    return series


def dense(series, phi, tau2, sigma2):
    """Stack the cases with their full covariance matrix and its derivatives."""
    y = np.concatenate([one.values for one in series])
    x = np.column_stack([np.ones(len(y)), np.concatenate([one.phases == "exposure" for one in series])])
    case = np.repeat(np.arange(len(series)), [len(one) for one in series])
    t = np.concatenate([one.times for one in series])
    same = (case[:, None] == case).astype(float)
    apart = np.abs(t[:, None] - t)
    by_phi = np.where((apart > 0) & (same > 0), apart * phi ** np.maximum(apart - 1, 0), 0) * sigma2
    correlation = same * phi**apart
    return y, x.astype(float), tau2 * same + sigma2 * correlation, [same, correlation, by_phi], t


def test_reml_degrees_of_freedom_equal_the_dense_information():
    series = study(1)
    effect = bc.between_case_d(SeriesBatch.of(*series))
    tau2, sigma2, phi = (effect.counts[name] for name in ("variance_between", "variance_within", "phi"))
    _, x, v, derivatives, _ = dense(series, phi, tau2, sigma2)
    inverse = np.linalg.inv(v)
    p = inverse - inverse @ x @ np.linalg.solve(x.T @ inverse @ x, x.T @ inverse)
    information = np.array([[0.5 * np.trace(p @ a @ p @ b) for b in derivatives] for a in derivatives])
    nu = 2 * (tau2 + sigma2) ** 2 / np.linalg.inv(information)[:2, :2].sum()
    assert effect.counts["df"] == pytest.approx(nu, rel=1e-8)
    beta = np.linalg.solve(x.T @ inverse @ x, x.T @ inverse @ np.concatenate([s.values for s in series]))
    d = beta[1] / np.sqrt(tau2 + sigma2)
    assert effect.counts["d"] == pytest.approx(d, rel=1e-8)
    assert effect.value == pytest.approx(d * (1 - 3 / (4 * nu - 1)), rel=1e-8)


@pytest.mark.parametrize("after", [None, 0.0, 2.5])
def test_with_a_trend_the_effect_is_that_of_the_stated_occasion(after):
    """A full-matrix twin of the model with slopes, whose change is read at one occasion."""
    series = study(11)
    series = [
        PhaseSeries.from_phases(
            *(one.of(phase) - 0.2 * one.times[one.phases == phase] for phase in ("baseline", "exposure")),
            better="higher",
        )
        for one in series
    ]
    effect = bc.between_case_d(SeriesBatch.of(*series), trend=True, after=after)
    tau2, sigma2, phi = (effect.counts[name] for name in ("variance_between", "variance_within", "phi"))
    y, x, v, derivatives, t = dense(series, phi, tau2, sigma2)
    since = np.concatenate([one.times - one.times[one.phases == "exposure"][0] for one in series])
    x = np.column_stack([x, t - 1, x[:, 1] * since])
    at = min(one.times[-1] - one.times[one.phases == "exposure"][0] for one in series)
    at = at if after is None else after
    inverse = np.linalg.inv(v)
    covariance = np.linalg.inv(x.T @ inverse @ x)
    beta = covariance @ x.T @ inverse @ y
    d = (beta[1] + at * beta[3]) / np.sqrt(tau2 + sigma2)
    p = inverse - inverse @ x @ covariance @ x.T @ inverse
    information = np.array([[0.5 * np.trace(p @ a @ p @ b) for b in derivatives] for a in derivatives])
    nu = 2 * (tau2 + sigma2) ** 2 / np.linalg.inv(information)[:2, :2].sum()
    assert effect.counts["after"] == at
    assert f"effect taken {at:g} after the first exposure occasion" in effect.method
    assert effect.counts["d"] == pytest.approx(d, rel=1e-8)
    assert effect.counts["df"] == pytest.approx(nu, rel=1e-8)
    row = np.array([0, 1, 0, at])
    kappa2 = row @ covariance @ row / (tau2 + sigma2)
    j = 1 - 3 / (4 * nu - 1)
    variance = j**2 * (nu * kappa2 / (nu - 2) + d**2 * (nu / (nu - 2) - 1 / j**2))
    assert effect.counts["variance"] == pytest.approx(variance, rel=1e-8)


def test_a_trend_that_goes_on_is_no_effect_once_it_is_in_the_model():
    rng = np.random.default_rng(12)
    series = []
    for i in range(6):
        start = 5 + 2 * (i % 3)
        y = 8 - 0.4 * np.arange(18) + rng.normal() + 0.5 * rng.normal(size=18)
        series.append(PhaseSeries.from_phases(y[:start], y[start:]))
    batch = SeriesBatch.of(*series)
    assert bc.between_case_d(batch, autocorrelation=False).ci_low > 0
    with_trend = bc.between_case_d(batch, trend=True, autocorrelation=False)
    assert with_trend.ci_low < 0 < with_trend.ci_high


def test_balanced_moment_form_is_the_formula_of_the_paper():
    series = study(2, staggered=False)
    effect = bc.between_case_d(SeriesBatch.of(*series), form="moment")
    table = np.array([one.values for one in series])
    difference = (table[:, 4:].mean(axis=1) - table[:, :4].mean(axis=1)).mean()
    spread = table.var(axis=0, ddof=1).mean()
    assert effect.counts["d"] == pytest.approx(difference / np.sqrt(spread), rel=1e-10)
    tau2, sigma2, phi = (effect.counts[name] for name in ("variance_between", "variance_within", "phi"))
    rho = tau2 / (tau2 + sigma2)
    lag = np.abs(np.subtract.outer(np.arange(14), np.arange(14)))
    nu = (5 - 1) * 14**2 / np.sum((rho + (1 - rho) * phi**lag) ** 2)
    assert effect.counts["df"] == pytest.approx(nu, rel=1e-8)


def test_staggered_moment_form_uses_cells_with_two_cases_or_more():
    series = study(3)
    effect = bc.between_case_d(SeriesBatch.of(*series), form="moment")
    total, df = 0.0, 0
    for time in range(1, 15):
        for phase in ("baseline", "exposure"):
            cell = [one.values[time - 1] for one in series if one.phases[time - 1] == phase]
            if len(cell) >= 2:
                total += np.sum((np.array(cell) - np.mean(cell)) ** 2)
                df += len(cell) - 1
    change = np.mean([one.of("exposure").mean() - one.of("baseline").mean() for one in series])
    assert effect.counts["d"] == pytest.approx(change / np.sqrt(total / df), rel=1e-10)


@pytest.mark.parametrize("form", bc.FORMS)
def test_positive_is_better_for_the_child(form):
    up = study(4)
    down = [PhaseSeries(-one.values, one.phases, better="lower") for one in up]
    worse = [PhaseSeries(one.values, one.phases, better="lower") for one in up]
    a, b, c = (bc.between_case_d(SeriesBatch.of(*cases), form=form) for cases in (up, down, worse))
    assert a.value > 0
    assert b.value == pytest.approx(a.value, rel=1e-9)
    assert c.value == pytest.approx(-a.value, rel=1e-9)
    assert (a.favors, c.favors) == ("improvement", "worsening")
    assert c.ci_low == pytest.approx(-a.ci_high, rel=1e-9)


def test_units_do_not_matter():
    plain = study(5)
    scaled = [PhaseSeries(40 * one.values + 300, one.phases, better="higher") for one in plain]
    a, b = bc.between_case_d(SeriesBatch.of(*plain)), bc.between_case_d(SeriesBatch.of(*scaled))
    assert b.value == pytest.approx(a.value, rel=1e-5)
    assert b.counts["df"] == pytest.approx(a.counts["df"], rel=1e-4)


def test_no_spread_between_cases_is_said():
    rng = np.random.default_rng(6)
    series = []
    for _ in range(4):
        y = rng.normal(size=12)
        y -= y.mean()
        series.append(PhaseSeries.from_phases(y[:5], y[5:], better="higher"))
    effect = bc.between_case_d(SeriesBatch.of(*series))
    assert bc.NO_SPREAD_BETWEEN in effect.cautions


@pytest.mark.parametrize(
    ("series", "form", "reason"),
    [
        ([], "reml", bc.TOO_FEW),
        (study(7, m=2), "reml", bc.TOO_FEW),
        ([PhaseSeries.from_phases([7, 7], [4, 4])] * 3, "reml", "do not vary"),
        (
            [
                PhaseSeries(
                    [7, 8, 6, 5, 4], ["baseline"] * 2 + ["exposure"] * 3, [k, k + 1, k + 2, k + 3, k + 4]
                )
                for k in (0, 100, 200)
            ],
            "moment",
            bc.NO_CELLS,
        ),
    ],
)
def test_what_cannot_be_estimated_is_missing_with_its_reason(series, form, reason):
    effect = bc.between_case_d(SeriesBatch.of(*series), form=form)
    assert np.isnan([effect.value, effect.ci_low, effect.p_value]).all()
    assert any(reason in sentence for sentence in effect.cautions)


ONE_EXPOSURE = [([8, 7, 8, 8], [5]), ([6, 7, 7, 6], [4]), ([9, 8, 9, 9], [8])]
ONE_BASELINE = [([8], [5, 4, 3]), ([6], [4, 3, 3]), ([9], [8, 7, 8])]
ONE_IN_ONE_CASE = [([8, 7, 8, 8], [5]), ([6, 7, 7, 6], [4, 3, 3, 3]), ([9, 8, 9, 9], [8, 7, 6])]


@pytest.mark.parametrize("autocorrelation", [True, False])
@pytest.mark.parametrize("rows", [ONE_EXPOSURE, ONE_BASELINE])
def test_a_trend_that_cannot_be_told_from_the_change_is_missing_with_its_reason(rows, autocorrelation):
    batch = SeriesBatch.of(*(PhaseSeries.from_phases(*row) for row in rows))
    effect = bc.between_case_d(batch, trend=True, autocorrelation=autocorrelation)
    assert np.isnan([effect.value, effect.ci_low, effect.p_value]).all()
    assert effect.cautions[0] == bc.NO_TREND
    assert not np.isnan(bc.between_case_d(batch, autocorrelation=autocorrelation).value)


def test_one_case_with_a_short_phase_does_not_hide_the_trend_of_the_others():
    batch = SeriesBatch.of(*(PhaseSeries.from_phases(*row) for row in ONE_IN_ONE_CASE))
    effect = bc.between_case_d(batch, trend=True)
    assert np.isfinite(effect.value)
    assert bc.NO_TREND not in effect.cautions


def test_where_interval_and_p_disagree_it_is_said():
    seen = set()
    for seed in range(40):
        batch = SeriesBatch.of(*study(seed, m=3, effect=0.8, occasions=10))
        effect = bc.between_case_d(batch)
        holds_zero = effect.ci_low <= 0 <= effect.ci_high
        if np.isfinite(effect.ci_low):
            assert (bc.APART in effect.cautions) == (holds_zero == (effect.p_value < 0.05))
            seen.add((holds_zero, bool(effect.p_value < 0.05)))
    assert {(True, True), (True, False), (False, True)} <= seen


def test_wrong_options_say_what_is_allowed():
    batch = SeriesBatch.of(*study(1))
    with pytest.raises(ValueError, match="form must be 'reml' with a trend"):
        bc.between_case_d(batch, form="moment", trend=True)
    for wrong in ({"after": 3.0}, {"after": -1.0, "trend": True}):
        with pytest.raises(ValueError, match="after must be 0 or more, and goes with trend=True"):
            bc.between_case_d(batch, **wrong)
    batch = SeriesBatch.of(*study(8))
    with pytest.raises(ValueError, match="form must be one of 'reml', 'moment'; got 'ml'"):
        bc.between_case_d(batch, form="ml")
    with pytest.raises(ValueError, match="confidence must be a number between 0 and 1"):
        bc.between_case_d(batch, confidence=95)
