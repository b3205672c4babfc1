"""Outside values for the effects of whole studies and their synthesis."""

from __future__ import annotations

from functools import cache

import numpy as np

from rungwise.basis.estimate import Estimate
from rungwise.published.check import Check
from rungwise.published.real_series import carried
from rungwise.series.batch import SeriesBatch
from rungwise.series.phase_series import PhaseSeries
from rungwise.study.between_case import between_case_d
from rungwise.study.synthesis import Synthesis, synthesize

RECOMPUTED = "recomputed by two independent routes"
MEMORY = "from memory of the source"

# Colditz et al. 1994, J Am Med Assoc 271:698-702: cases of tuberculosis and others, vaccinated and not.
_TRIALS = (
    (4, 119, 11, 128), (6, 300, 29, 274), (3, 228, 11, 209), (62, 13536, 248, 12619),
    (33, 5036, 47, 5761), (180, 1361, 372, 1079), (8, 2537, 10, 619), (505, 87886, 499, 87892),
    (29, 7470, 45, 7232), (17, 1699, 65, 1600), (186, 50448, 141, 27197), (5, 2493, 3, 2338),
    (27, 16886, 29, 17825),
)  # fmt: skip

_VIECHTBAUER = "Viechtbauer 2010, J Stat Softw 36(3), example of the 13 trials of Colditz et al. 1994"
_METAFOR = "R 4.2.2 metafor 3.8-1, trials of Colditz et al. 1994"
_HPS = (
    "Pustejovsky, Hedges & Shadish 2014, J Educ Behav Stat 39:368-393, formula; data of Belenky et al. 2003"
)
_HPS_2012 = "Hedges, Pustejovsky & Shadish 2012, Res Synth Methods 3:224-239, formula; same data"
_EARLY = "The outside value rests on variances whose search stopped a little early."


@cache
def _vaccine() -> Synthesis:
    a, b, c, d = np.array(_TRIALS, dtype=float).T
    effects = np.log(a / (a + b)) - np.log(c / (c + d))
    return synthesize(effects, 1 / a - 1 / (a + b) + 1 / c - 1 / (c + d))


@cache
def _sleepstudy(form: str) -> Estimate:
    people: dict[str, list[tuple[float, float]]] = {}
    for reaction, day, subject in carried("lme4", "sleepstudy", "Reaction", "Days", "Subject"):
        people.setdefault(str(subject), []).append((float(reaction), float(day)))
    series = [
        PhaseSeries(
            [reaction for reaction, _ in rows],
            ["baseline" if day < 3 else "exposure" for _, day in rows],
            [day for _, day in rows],
            better="higher",
        )
        for rows in people.values()
    ]
    return between_case_d(SeriesBatch.of(*series), form=form, autocorrelation=False)


CHECKS: tuple[Check, ...] = (
    Check(
        "Random-effects average, REML", "13 vaccine trials", _VIECHTBAUER, MEMORY, -0.7145,
        lambda: _vaccine().average.value, 5e-5,
    ),
    Check(
        "Variance of true effects, REML", "13 vaccine trials", _VIECHTBAUER, MEMORY, 0.3132,
        lambda: _vaccine().tau2, 5e-5,
    ),
    Check(
        "I², percent", "13 vaccine trials", _VIECHTBAUER, MEMORY, 92.22,
        lambda: 100 * _vaccine().i2, 5e-3,
    ),
    Check(
        "Cochran's Q", "13 vaccine trials", _METAFOR, RECOMPUTED, 152.2330, lambda: _vaccine().q, 5e-5,
    ),
    Check(
        "Variance of true effects, more digits", "13 vaccine trials", _METAFOR, RECOMPUTED, 0.313243,
        lambda: _vaccine().tau2, 5e-7,
    ),
    Check(
        "Knapp-Hartung standard error", "13 vaccine trials", _METAFOR, RECOMPUTED, 0.180792,
        lambda: _vaccine().average.counts["standard_error"], 5e-7,
    ),
    Check(
        "Knapp-Hartung p", "13 vaccine trials", _METAFOR, RECOMPUTED, 0.001920,
        lambda: _vaccine().average.p_value, 5e-7,
    ),
    Check(
        "Knapp-Hartung interval, lower", "13 vaccine trials", _METAFOR, RECOMPUTED, -1.108444,
        lambda: _vaccine().average.ci_low, 5e-7,
    ),
    Check(
        "Knapp-Hartung interval, upper", "13 vaccine trials", _METAFOR, RECOMPUTED, -0.320621,
        lambda: _vaccine().average.ci_high, 5e-7,
    ),
    Check(
        "Between-case d, uncorrected", "sleepstudy, days 3 to 9 against 0 to 2", _HPS, RECOMPUTED, 1.003010,
        lambda: _sleepstudy("reml").counts["d"], 2e-5, _EARLY,
    ),
    Check(
        "Between-case d, corrected", "sleepstudy, days 3 to 9 against 0 to 2", _HPS, RECOMPUTED, 0.988595,
        lambda: _sleepstudy("reml").value, 2e-5, _EARLY,
    ),
    Check(
        "Its degrees of freedom", "sleepstudy, days 3 to 9 against 0 to 2", _HPS, RECOMPUTED, 52.4345,
        lambda: _sleepstudy("reml").counts["df"], 3e-3, _EARLY,
    ),
    Check(
        "Its standard error", "sleepstudy, days 3 to 9 against 0 to 2", _HPS, RECOMPUTED, 0.152958,
        lambda: _sleepstudy("reml").counts["variance"] ** 0.5, 1e-5, _EARLY,
    ),
    Check(
        "Between-case d, moment form, uncorrected", "sleepstudy, days 3 to 9 against 0 to 2", _HPS_2012,
        RECOMPUTED, 1.067891, lambda: _sleepstudy("moment").counts["d"], 5e-7,
    ),
)  # fmt: skip
