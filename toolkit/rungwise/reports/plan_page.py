"""What the cells of the notebook ``plan_a_study`` show."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np

import rungwise
from rungwise.basis.page_numbers import format_bounded, format_number, format_p
from rungwise.figures.power_curves import describe_power, power_curves
from rungwise.reports.blocks import Block, Blocks, bullets, lead, note, paragraph, picture, table
from rungwise.reports.child_page import day
from rungwise.reports.words import SAFETY, SAFETY_TITLE
from rungwise.series.caseload import Caseload
from rungwise.single_case.designs import Design, RandomStart
from rungwise.single_case.staggered_starts import StaggeredStarts
from rungwise.study.changing_criterion import FOLLOWS_ONLY
from rungwise.study.criterion_power import SUPPOSED_FOLLOW, criterion_power, criterion_power_curve
from rungwise.study.plan import StudyPlan, consenting, plan_study, staggered_windows
from rungwise.study.power import Power, power, power_curve
from rungwise.study.preanalysis import TO_WRITE, PreAnalysis
from rungwise.study.scenario import Scenario
from rungwise.study.schedule import draw_schedule

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Scenario", "day", "plan_of"]

TOGETHER = (
    "Power is simulated with the randomization test itself: in every simulated study the starts are drawn, "
    "the ratings follow, and p is found over all permitted assignments. Bars are two Monte Carlo standard "
    "errors. The dotted line at .80 is common practice, without a source."
)

CRITERIA_INSTEAD = (
    "In a changing criterion the criteria take the place of the changes at exposure: ratings are supposed "
    "to come down from a child's own course to the criterion in force, in the curves all the way."
)
CANNOT_BE_TESTED = (
    "A study cannot be tested if a permitted start would leave a phase of some child without a rating, as "
    "when a child leaves before the last window has opened; it counts as not reaching the level. Earlier "
    "windows, or more occasions after the last, make that rarer."
)


@dataclass(frozen=True, eq=False)
class Planned:
    """A plan with what its power rests on.

    Attributes
    ----------
    plan : StudyPlan
    scenario : Scenario
    replications : int
    seed : int
        Of the simulations; never of the draw.
    """

    plan: StudyPlan
    scenario: Scenario
    replications: int
    seed: int

    def preanalysis(
        self,
        commitment: str = "",
        *,
        question: str = TO_WRITE,
        stopping: str = TO_WRITE,
        masking: str = TO_WRITE,
    ) -> PreAnalysis:
        """Give the pre-analysis plan, with the power of the planned design."""
        if self.plan.kind == "changing_criterion":
            result = _criterion_power(self, SUPPOSED_FOLLOW)
        else:
            result = power(
                self.plan.design,
                self.plan.occasions,
                self.scenario,
                rng=np.random.default_rng(self.seed),
                statistic=self.plan.statistic,
                alternative=self.plan.alternative,
                alpha=self.plan.alpha,
                replications=self.replications,
            )
        return PreAnalysis(
            self.plan,
            scenario=self.scenario,
            power=result,
            commitment=commitment,
            version=rungwise.__version__,
            question=question,
            stopping=stopping,
            masking=masking,
        )


def plan_of(
    caseload: Caseload,
    cases: str,
    *,
    design_id: str,
    first_day: str,
    scenario: Scenario | None = None,
    replications: int = 2_000,
    seed: int = 1,
    criteria: str = "",
    **options: Any,
) -> Planned:
    """Plan a study from plain values, as a notebook or a command gives them.

    Parameters
    ----------
    caseload : Caseload
    cases : str
        Child codes separated by commas; ``child/ladder`` where a child has several ladders.
    design_id, first_day : str
    scenario : Scenario, optional
    replications, seed : int
        Of the simulated power.
    criteria : str
        Criteria separated by commas, for a changing criterion.
    **options
        As for `rungwise.study.plan.plan_study`.

    Raises
    ------
    ValueError
        As `plan_study`, or if the first day is no date or nobody is named.
    """
    try:
        start = date.fromisoformat(first_day)
    except (TypeError, ValueError):
        raise ValueError(f"first_day must be a date written YYYY-MM-DD; got {first_day!r}.") from None
    if not cases_of(cases):
        raise ValueError(f"cases must name at least one child, as in C003,C007/net; got {cases!r}.")
    try:
        limits = [float(one) for one in criteria.split(",") if one.strip()]
    except ValueError:
        raise ValueError(f"criteria must be numbers separated by commas; got {criteria!r}.") from None
    plan = plan_study(
        caseload, cases_of(cases), design_id=design_id, first_day=start, criteria=limits, **options
    )
    return Planned(plan, scenario or Scenario(), replications, seed)


def cases_of(cases: str) -> list[str | tuple[str, str]]:
    """Read cases written with commas and slashes.

    Examples
    --------
    >>> cases_of("C003, C007/net")
    ['C003', ('C007', 'net')]
    """
    found: list[str | tuple[str, str]] = []
    for entry in cases.split(","):
        child, slash, ladder = (piece.strip() for piece in entry.partition("/"))
        if child:
            found.append((child, ladder) if slash else child)
    return found


def who_may_enter(caseload: Caseload) -> Block:
    """Say which children could enter a study."""
    codes = sorted(consenting(caseload))
    return paragraph(
        f"Only children with research_consent = yes may enter; here {len(codes)}: {', '.join(codes)}."
    )


def announcement(planned: Planned) -> Blocks:
    """Say what is permitted and the smallest attainable p, before anyone begins."""
    plan = planned.plan
    smallest = format_p(plan.smallest_p)
    reachable = plan.smallest_p <= plan.alpha
    words = (
        f"This design can reach p {smallest} at best."
        if reachable
        else f"This design cannot reach its level: its smallest p {smallest}."
    )
    rows = [
        {
            "Case": case.label,
            "Probe step": str(case.probe_step),
            "May start at occasion": ", ".join(map(str, plan.open_starts(number))),
        }
        for number, case in enumerate(plan.cases)
    ]
    return Blocks(
        (
            lead(
                words, uncertainty=f"{plan.n_assignments:,} assignments are permitted and equally likely."
            ),
            bullets(plan.announcement()),
            table(rows, caption="What is open before the draw", numeric=["Probe step"], fold=True),
        )
    )


def power_of_plan(planned: Planned) -> Blocks:
    """Give the power of the planned design, and the error rate without an effect."""
    plan = planned.plan
    if plan.kind == "changing_criterion":
        return _power_of_criteria(planned)
    rows = []
    for name, scenario in (
        ("as supposed", planned.scenario),
        ("half the effect", _half(planned.scenario)),
        ("no effect", planned.scenario.without_effect()),
    ):
        result = power(
            plan.design, plan.occasions, scenario, rng=np.random.default_rng(planned.seed),
            statistic=plan.statistic, alternative=plan.alternative, alpha=plan.alpha,
            replications=planned.replications,
        )  # fmt: skip
        supposed = {"Effect": name, "Change at once": format_number(scenario.level_change)}
        rows.append(supposed | _reached(result))
    return _power_table(planned, rows, CANNOT_BE_TESTED)


def curves(planned: Planned, children: Sequence[int], lengths: Sequence[int], width: int = 3) -> Blocks:
    """Give power over numbers of children and of occasions, with designs of the planned kind."""
    plan = planned.plan
    if plan.kind == "changing_criterion":
        curve = criterion_power_curve(
            plan.criteria, plan.fewest_per_phase, children, lengths, planned.scenario, seed=planned.seed,
            follow=SUPPOSED_FOLLOW, alpha=plan.alpha, replications=planned.replications,
        )  # fmt: skip
    else:
        curve = power_curve(
            _maker(plan, width), children, lengths, planned.scenario, seed=planned.seed,
            statistic=plan.statistic, alternative=plan.alternative, alpha=plan.alpha,
            replications=planned.replications,
        )  # fmt: skip
    shown = table(_curve_rows(curve), caption="Power over children and occasions",
                  numeric=["Children", "Occasions", "Power", "Monte Carlo error", "Smallest p"],
                  fold=True)  # fmt: skip
    if curve["power"].isna().all():
        return Blocks((shown,))
    graph = picture(power_curves(curve), alt=describe_power(curve), caption=TOGETHER)
    return Blocks((graph, shown))


def draw_for_show(planned: Planned, seed: int) -> Blocks:
    """Show what a sealed schedule looks like, with a seed that everybody can see: not the one to use."""
    schedule = draw_schedule(planned.plan, seed)
    return Blocks(
        (
            bullets(schedule.lines()),
            paragraph(
                f"Fingerprint to publish before anyone begins: {schedule.commitment}. The command "
                "rungwise plan draws with a secret seed and puts the schedule into a file of its own, for "
                "the person who assigns and nobody else."
            ),
        )
    )


def document(planned: Planned, question: str | None = None) -> Blocks:
    """Give the pre-analysis plan as it will be written."""
    shown: list[Block] = []
    for heading, lines in planned.preanalysis(question=question or TO_WRITE).sections():
        shown += [paragraph(f"{heading}:"), bullets(lines)]
    return Blocks(shown)


def safety() -> Block:
    """Give the cautions that stand on every page someone might act on."""
    return note(*SAFETY, title=SAFETY_TITLE)


def scenario_words(scenario: Scenario, kind: str = "") -> list[str]:
    """Say in words what is supposed about the children.

    Examples
    --------
    >>> scenario_words(Scenario())[0]
    'Fear starts around 7.0 on a scale from 0 to 10; children differ by a standard deviation of 0.7.'
    """
    lines = [
        f"Fear starts around {format_number(scenario.start)} on a scale from {scenario.floor:g} to "
        f"{scenario.ceiling:g}; children differ by a standard deviation of "
        f"{format_number(scenario.sd_start)}.",
        f"Without exposure it changes by {format_number(scenario.baseline_slope, 2)} points an occasion.",
        CRITERIA_INSTEAD
        if kind == "changing_criterion"
        else f"Exposure changes it by {format_number(scenario.level_change)} at once (standard deviation "
        f"between children {format_number(scenario.sd_change)}) and "
        f"{format_number(scenario.slope_change, 2)} an occasion.",
        f"Ratings scatter by {format_number(scenario.sd)} points, with an autocorrelation of "
        f"{format_bounded(scenario.phi)} from one occasion to the next.",
        f"{format_number(100 * scenario.missed)} % of probes are missed, and "
        f"{format_number(100 * scenario.dropout)} % of children leave before each exposure occasion.",
    ]
    if scenario.decline_at is not None:
        lines.append(f"At a fear of {format_number(scenario.decline_at)} half of the children decline.")
    return lines


def _criterion_power(planned: Planned, follow: float) -> Power:
    plan = planned.plan
    return criterion_power(
        plan.criteria_design, len(plan.cases), planned.scenario, rng=np.random.default_rng(planned.seed),
        follow=follow, alpha=plan.alpha, replications=planned.replications,
    )  # fmt: skip


def _power_of_criteria(planned: Planned) -> Blocks:
    rows = []
    for name, follow in (
        ("all the way", SUPPOSED_FOLLOW),
        ("three quarters of the way", 0.75),
        ("not at all", 0.0),
    ):
        rows.append(
            {"Ratings come down to the criterion": name} | _reached(_criterion_power(planned, follow))
        )
    return _power_table(planned, rows, FOLLOWS_ONLY)


def _reached(result: Power) -> dict[str, str]:
    return {
        "Share of tests reaching the level": format_bounded(result.power),
        "Monte Carlo error": format_bounded(result.monte_carlo_error, 3),
        "Could not be tested": format_bounded(result.not_testable),
    }


def _power_table(planned: Planned, rows: list[dict[str, str]], note_under: str) -> Blocks:
    plan = planned.plan
    shown = table(
        rows,
        caption=f"Power of {plan.design_id}",
        numeric=list(rows[0])[1:],
        notes=[note_under],
        fold=True,
    )
    return Blocks((shown, bullets(scenario_words(planned.scenario, plan.kind))))


def _half(scenario: Scenario) -> Scenario:
    return replace(scenario, level_change=scenario.level_change / 2, slope_change=scenario.slope_change / 2)


def _maker(plan: StudyPlan, width: int) -> Callable[[int, int], Design | list[RandomStart]]:
    def make(children: int, occasions: int) -> Design | list[RandomStart]:
        if plan.kind == "random_start":
            one = RandomStart.with_minima(occasions, plan.fewest_per_phase, plan.fewest_per_phase, "random")
            return [one] * children
        windows = staggered_windows(
            children, occasions, width=width, fewest_per_phase=plan.fewest_per_phase
        )
        return StaggeredStarts(windows, plan.shuffled, "random")

    return make


def _curve_rows(curve: pd.DataFrame) -> list[dict[str, str]]:
    return [
        {
            "Children": str(row["children"]),
            "Occasions": str(row["occasions"]),
            "Power": "does not fit" if row["reason"] else format_bounded(float(row["power"])),
            "Monte Carlo error": ""
            if row["reason"]
            else format_bounded(float(row["monte_carlo_error"]), 3),
            "Smallest p": "" if row["reason"] else format_p(float(row["smallest_p"])).removeprefix("= "),
        }
        for row in curve.to_dict("records")
    ]
