"""Plan a single-case study whose starts are drawn at random, and say what it can show before it begins.

Learning does not reverse, so the designs are those that need no return to baseline: a multiple baseline
across children or ladders, a random start, a changing criterion.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date, timedelta
from itertools import pairwise
from typing import Any

import numpy as np

from rungwise.basis.errors import NotEnoughData, check_between, check_choice
from rungwise.basis.null_two_phase import ALTERNATIVES
from rungwise.basis.page_numbers import count_of, format_p
from rungwise.single_case.designs import Design, RandomStart, SingleDesign
from rungwise.single_case.randomization import STATISTICS
from rungwise.single_case.staggered_starts import StaggeredStarts
from rungwise.study.changing_criterion import ChangingCriterion
from rungwise.tables.table import TableSet

KINDS = {
    "multiple_baseline": "multiple baseline with staggered starts drawn at random",
    "random_start": "baseline and exposure with a start drawn at random",
    "changing_criterion": "changing criterion with changes drawn at random",
}
FEWEST_PER_PHASE = 5
"""Occasions a phase needs for the What Works Clearinghouse criteria without reservations (from memory)."""
FORMAT = 1


@dataclass(frozen=True)
class StudyCase:
    """One series of a study: a child at the probe step of a ladder.

    Attributes
    ----------
    child_id, ladder_id : str
    probe_step : int
    fear_minimum, fear_maximum : float
        The child's scale.
    usual_rater, usual_setting : str
        Empty where not said.
    """

    child_id: str
    ladder_id: str
    probe_step: int
    fear_minimum: float = 0.0
    fear_maximum: float = 10.0
    usual_rater: str = ""
    usual_setting: str = ""

    @property
    def label(self) -> str:
        """Child and ladder."""
        return f"{self.child_id} {self.ladder_id}"


@dataclass(frozen=True)
class StudyPlan:
    """What is fixed before anyone begins; make one with `plan_study`.

    Attributes
    ----------
    design_id : str
    kind : str
        A key of `KINDS`.
    cases : tuple of StudyCase
    first_day : datetime.date
        Day of the first planned occasion.
    days_apart : int
        Days between planned occasions.
    occasions : int
        Planned occasions of every case.
    windows : tuple of tuple of int
        For each case, or for each window if shuffled, the occasion numbers that exposure may start at.
        Empty in a changing-criterion design.
    shuffled : bool
        Whether it is drawn which case gets which window.
    criteria : tuple of float
        Criteria in the order in which they come into force; changing criterion only.
    fewest_per_phase : int
    statistic, alternative : str
        Of the randomization test.
    alpha : float
    """

    design_id: str
    kind: str
    cases: tuple[StudyCase, ...]
    first_day: date
    days_apart: int
    occasions: int
    windows: tuple[tuple[int, ...], ...]
    shuffled: bool
    criteria: tuple[float, ...]
    fewest_per_phase: int
    statistic: str
    alternative: str
    alpha: float

    @property
    def design(self) -> Design | list[SingleDesign]:
        """The design as `randomization_test` takes it."""
        if self.kind == "multiple_baseline":
            return StaggeredStarts(self.windows, self.shuffled, "random")
        if self.kind == "random_start":
            return [RandomStart(window[0], window[-1], "random") for window in self.windows]
        raise ValueError(
            "A changing-criterion plan has no assignment of baseline and exposure; see `criteria_design`."
        )

    @property
    def criteria_design(self) -> ChangingCriterion:
        """The design of one case of a changing-criterion plan."""
        if self.kind != "changing_criterion":
            raise ValueError(f"criteria_design needs a changing-criterion plan; this one is {self.kind!r}.")
        return ChangingCriterion(self.occasions, self.criteria, self.fewest_per_phase, "random")

    @property
    def n_assignments(self) -> int:
        """Number of equally likely assignments of the whole study."""
        if self.kind == "changing_criterion":
            return int(self.criteria_design.n_assignments ** len(self.cases))
        designs = self.design
        if isinstance(designs, Design):
            return designs.n_assignments
        return int(np.prod([one.n_assignments for one in designs], dtype=object))

    @property
    def smallest_p(self) -> float:
        """Smallest p the planned test could ever give."""
        if self.kind == "changing_criterion":
            one_sided = 1 / self.n_assignments  # of all cases together
        else:
            designs = self.design
            single = [designs] if isinstance(designs, Design) else designs
            one_sided = float(np.prod([one.smallest_p for one in single]))
        return min(1.0, one_sided * (2 if self.alternative == "two-sided" else 1))

    def day(self, occasion: int) -> date:
        """Give the day of an occasion, counted from 1."""
        return self.first_day + timedelta(days=self.days_apart * (occasion - 1))

    @property
    def days(self) -> tuple[date, ...]:
        """Days of all planned occasions."""
        return tuple(self.day(occasion) for occasion in range(1, self.occasions + 1))

    def open_starts(self, case: int) -> tuple[int, ...]:
        """Give all occasions at which exposure of a case might start, before anything is drawn."""
        if self.kind == "changing_criterion":
            return tuple(self.criteria_design.start_range)
        if self.shuffled:
            return tuple(sorted({start for window in self.windows for start in window}))
        return self.windows[case]

    def announcement(self, *, dates: bool = True) -> list[str]:
        """Say what is permitted and the smallest attainable p, to be read before anyone begins.

        Without `dates` it can stand in a publication, where days could point to a child.
        """
        when = f", {self.day(1).isoformat()} to {self.day(self.occasions).isoformat()}" if dates else ""
        lines = [
            f"Design {self.design_id}: {KINDS[self.kind]}; {count_of(len(self.cases), 'case')}, "
            f"{self.occasions} planned occasions each, {_rhythm(self.days_apart)}{when}.",
        ]
        if self.kind == "changing_criterion":
            listed = ", ".join(f"{criterion:g}" for criterion in self.criteria)
            lines.append(
                f"Criteria in order: {listed}; every change is drawn at random, with at least "
                f"{self.fewest_per_phase} occasions before, between and after them. Permitted: "
                f"{self.criteria_design.n_assignments:,} schedules a case."
            )
        else:
            words = [f"{window[0]} to {window[-1]}" for window in self.windows]
            to = "shuffled over the cases" if self.shuffled else "one for each case in the order listed"
            if self.kind == "random_start":
                to = "one for each case, drawn independently"
            lines.append(f"Exposure may start at occasion {'; '.join(words)} ({to}).")
        lines.append(
            f"Permitted and equally likely: {self.n_assignments:,} assignments. The smallest attainable "
            f"p ({self.alternative}) is {_p_words(self.smallest_p)}."
        )
        if self.smallest_p > self.alpha:
            lines.append(
                f"No result, however clear, can reach p ≤ {self.alpha:g} with this design. Use more cases, "
                "wider windows or more occasions before anyone begins."
            )
        return lines

    def as_dict(self) -> dict[str, Any]:
        """Give the plan as plain values, from which `from_dict` makes it again."""
        plain = asdict(self)
        plain["first_day"] = self.first_day.isoformat()
        return {"format": FORMAT, **json.loads(json.dumps(plain))}

    @classmethod
    def from_dict(cls, plain: Mapping[str, Any]) -> StudyPlan:
        """Make a plan from its plain values.

        Raises
        ------
        ValueError
            If they are not those of a plan.
        """
        values = dict(plain)
        if values.pop("format", None) != FORMAT or set(values) != set(cls.__dataclass_fields__):
            raise ValueError(
                "plan must be a study plan written by this program; entries are missing or new."
            )
        values["cases"] = tuple(StudyCase(**case) for case in values["cases"])
        values["first_day"] = date.fromisoformat(values["first_day"])
        values["windows"] = tuple(tuple(window) for window in values["windows"])
        values["criteria"] = tuple(values["criteria"])
        return _checked(cls(**values))

    @property
    def sha256(self) -> str:
        """Fingerprint of the plan: the same plan has the same, any change gives another."""
        return fingerprint(self.as_dict())


def plan_study(
    tables: TableSet,
    cases: Sequence[str | tuple[str, str]],
    *,
    design_id: str,
    first_day: date,
    kind: str = "multiple_baseline",
    occasions: int = 24,
    days_apart: int = 7,
    fewest_per_phase: int = FEWEST_PER_PHASE,
    windows: Sequence[Sequence[int]] | None = None,
    width: int = 3,
    shuffled: bool = True,
    criteria: Sequence[float] = (),
    statistic: str = "mean_difference",
    alternative: str = "improvement",
    alpha: float = 0.05,
) -> StudyPlan:
    """Fix a study's design before anything is drawn.

    Parameters
    ----------
    tables : TableSet
        A caseload with ``children`` and ``plans``: only children with research consent may enter, and
        the probe step of a ladder is the one planned for it.
    cases : sequence of str or (str, str)
        Child codes, or pairs of child and ladder; a multiple baseline across ladders names one child
        several times.
    design_id : str
    first_day : datetime.date
        Day of the first planned occasion.
    kind : {"multiple_baseline", "random_start", "changing_criterion"}
    occasions, days_apart : int
        Planned occasions of every case and the days between them.
    fewest_per_phase : int
        Fewest occasions in any phase, whatever is drawn.
    windows : sequence of sequences of int, optional
        Consecutive occasions exposure may start at, one window per case; by default spread evenly
        (`staggered_windows`), or everything the minima leave in a random-start design.
    width : int
        Occasions in each of the default windows.
    shuffled : bool
        Draw also which case gets which window (multiple baseline).
    criteria : sequence of float
        Changing criterion only: the rating not to be exceeded, one for each part of exposure.
    statistic, alternative, alpha
        Of the randomization test (`rungwise.randomization_test`).

    Returns
    -------
    StudyPlan

    Raises
    ------
    ValueError
        Naming the argument, what is allowed and what came; among others for a child without consent
        or one who has begun exposure on that ladder.
    NotEnoughData
        If the tables needed were not recorded.

    Notes
    -----
    A multiple baseline whose windows overlap in time shows less than one whose windows do not: windows
    that are shuffled must not overlap here.
    """
    check_choice("kind", kind, KINDS)
    found = tuple(_case(tables, entry, first_day) for entry in cases)
    if kind == "changing_criterion":
        spread: tuple[tuple[int, ...], ...] = ()
    elif windows is not None:
        spread = tuple(tuple(int(start) for start in window) for window in windows)
    elif kind == "multiple_baseline":
        spread = staggered_windows(len(found), occasions, width=width, fewest_per_phase=fewest_per_phase)
    else:
        open_to = tuple(range(fewest_per_phase + 1, occasions - fewest_per_phase + 2))
        spread = (open_to,) * len(found)
    plan = StudyPlan(
        design_id, kind, found, first_day, days_apart, occasions, spread,
        shuffled and kind == "multiple_baseline", tuple(float(one) for one in criteria), fewest_per_phase,
        statistic, alternative, alpha,
    )  # fmt: skip
    return _checked(plan)


def staggered_windows(
    cases: int, occasions: int, *, width: int = 3, fewest_per_phase: int = FEWEST_PER_PHASE
) -> tuple[tuple[int, ...], ...]:
    """Spread windows of starts evenly, none overlapping another.

    Parameters
    ----------
    cases, occasions : int
    width : int
        Occasions in each window; 1 for fixed starts.
    fewest_per_phase : int
        Fewest occasions left before the first and after the last start.

    Raises
    ------
    ValueError
        If `cases` or `width` is not 1 or more, or so many windows do not fit.

    Examples
    --------
    >>> staggered_windows(4, 24)
    ((6, 7, 8), (10, 11, 12), (14, 15, 16), (18, 19, 20))
    """
    for name, number in (("cases", cases), ("width", width)):
        if number < 1:
            raise ValueError(f"{name} must be 1 or more; got {number!r}.")
    first, last = fewest_per_phase + 1, occasions - fewest_per_phase + 1
    room = last - first + 1
    if cases * width > room:
        raise ValueError(
            f"occasions must leave room for {cases} windows of {width}, with {fewest_per_phase} occasions "
            f"before the first and after the last: at least {cases * width + 2 * fewest_per_phase - 1}; "
            f"got {occasions}."
        )
    opens = np.linspace(first, last - width + 1, cases) if cases > 1 else np.array([first])
    return tuple(tuple(range(int(start), int(start) + width)) for start in opens)


def fingerprint(plain: Any) -> str:
    """Give the SHA-256 of plain values, however their entries are ordered.

    Examples
    --------
    >>> fingerprint({"a": 1, "b": 2}) == fingerprint({"b": 2, "a": 1})
    True
    """
    written = json.dumps(plain, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(written.encode("utf-8")).hexdigest()


def consenting(tables: TableSet) -> set[str]:
    """Give the codes of the children whose families consented to research.

    Raises
    ------
    NotEnoughData
        If children, and so their consent, were not recorded.
    """
    if "children" not in tables.tables:
        raise NotEnoughData(
            "The table of children was not recorded, so nobody's research consent is known; "
            "only children with research_consent = yes enter a study."
        )
    children = tables.tables["children"]
    return {
        child
        for child, consent in zip(
            children["child_id"].tolist(), children["research_consent"].tolist(), strict=True
        )
        if consent is True or consent == True  # noqa: E712
    }


def _case(tables: TableSet, entry: str | tuple[str, str], first_day: date) -> StudyCase:
    child, ladder = (entry, None) if isinstance(entry, str) else entry
    if child not in consenting(tables):
        raise ValueError(
            f"cases must be children with research_consent = yes in the table of children; {child} is not "
            "one. Ask the family first; nobody enters a study without it."
        )
    plans = tables.tables.get("plans")
    if plans is None:
        raise NotEnoughData("The table of plans was not recorded, so no probe step is known.")
    rows = [
        row
        for row in range(len(plans))
        if plans["child_id"][row] == child
        and (ladder is None or plans["ladder_id"][row] == ladder)
        and plans["primary"][row] is not False
        and plans["trained"][row] is not False
    ]
    ladders = sorted({plans["ladder_id"][row] for row in rows})
    if len(rows) != 1:
        problem = f"several ladders ({', '.join(ladders)}); name one" if rows else "no planned probe step"
        raise ValueError(f"cases must have one planned probe step each; {child} has {problem}.")
    row = rows[0]
    begun = _begun(tables, child, ladders[0])
    if begun is not None and begun <= first_day:
        raise ValueError(
            f"cases must not have begun exposure on their ladder; {child} began on {ladders[0]} on {begun}."
        )
    return StudyCase(
        child,
        ladders[0],
        int(plans["probe_step"][row]),
        float(plans["fear_minimum"][row]),
        float(plans["fear_maximum"][row]),
        plans["usual_rater"][row] or "",
        plans["usual_setting"][row] or "",
    )


def _begun(tables: TableSet, child: str, ladder: str) -> date | None:
    phases = tables.tables.get("phases")
    if phases is None:
        return None
    mine = (phases["child_id"] == child) & (phases["phase"] == "exposure")
    mine &= np.isin(phases["ladder_id"].astype(str), [ladder, "None"])
    starts = phases["starts_on"][mine]
    return starts.min().astype(object) if len(starts) else None


def _checked(plan: StudyPlan) -> StudyPlan:
    check_choice("kind", plan.kind, KINDS)
    check_choice("statistic", plan.statistic, STATISTICS)
    check_choice("alternative", plan.alternative, ALTERNATIVES)
    check_between("alpha", plan.alpha, 0, 1)
    for name in ("occasions", "days_apart", "fewest_per_phase"):
        value = getattr(plan, name)
        if isinstance(value, bool) or not isinstance(value, int) or value < 1:
            raise ValueError(f"{name} must be a whole number of 1 or more; got {value!r}.")
    if not plan.design_id.strip():
        raise ValueError("design_id must be a short code, such as MB1; got nothing.")
    keys = [(case.child_id, case.ladder_id) for case in plan.cases]
    if not keys or len(set(keys)) < len(keys):
        raise ValueError("cases must be one or more, each child and ladder once.")
    if plan.kind == "changing_criterion":
        plan.criteria_design  # noqa: B018 -- says what is wrong with the criteria
        if plan.alternative != "improvement":
            raise ValueError(
                "alternative must be 'improvement' in a changing-criterion plan: its test, whether ratings "
                f"follow the criteria, is one-sided by nature; got {plan.alternative!r}."
            )
        return plan
    if len(plan.windows) != len(plan.cases):
        raise ValueError(f"windows must be one per case ({len(plan.cases)}); got {len(plan.windows)}.")
    low, high = plan.fewest_per_phase + 1, plan.occasions - plan.fewest_per_phase + 1
    for window in plan.windows:
        if not window or list(window) != list(range(window[0], window[-1] + 1)):
            raise ValueError(f"windows must hold consecutive occasions; got {list(window)}.")
        if window[0] < low or window[-1] > high:
            raise ValueError(
                f"windows must lie between occasions {low} and {high}, so that every phase has at least "
                f"{plan.fewest_per_phase}; got {list(window)}."
            )
    if plan.kind == "multiple_baseline" and len(plan.cases) < 2:
        raise ValueError("cases must be two or more in a multiple baseline; got one.")
    if plan.shuffled:
        ordered = sorted(plan.windows)
        if any(a[-1] >= b[0] for a, b in pairwise(ordered)):
            raise ValueError("windows that are shuffled must not overlap.")
    return plan


def _rhythm(days_apart: int) -> str:
    return {1: "daily", 7: "weekly"}.get(days_apart, f"every {days_apart} days")


def _p_words(p: float) -> str:
    return f"p {format_p(p)}, that is 1 in {round(1 / p):,}"
