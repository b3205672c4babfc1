"""A recording sheet as one page of HTML that is printed as it stands.

Every block has a height in mm, and together they fill the paper, so the sheet is one page on any
printer and in any browser.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from html import escape
from itertools import accumulate

from rungwise.reports import sheet_words as say
from rungwise.reports.catalog import Words
from rungwise.reports.html import TEMPLATES
from rungwise.reports.sheet_blanks import box, table
from rungwise.reports.sheet_forms import HOME_INCIDENTS, INCIDENTS, Form
from rungwise.reports.sheet_thermometer import thermometer
from rungwise.series.planned import FEAR
from rungwise.tables.schema import schema

PAPER_MM = {"A4": (210.0, 297.0), "letter": (215.9, 279.4)}
# The upper edge lies under the clip of a clipboard.
_TOP, _SIDE, _BOTTOM, _GAP = 12.0, 10.5, 7.5, 2.6
_SLACK = 0.6
_MOST_ROW = 13.0
# Level 1 keeps no incidents, and a second observer would write them down twice.
_WITH_INCIDENTS = ("observations",)
_INCIDENT_TITLE = 6.4
_BLANK_STEPS = 8
# The ladder's title with its note below, and one line of it, in mm.
_LADDER_TITLE, _LADDER_LINE = 13.0, 4.7
_BLOCKS = ("head", "strip", "extras", "guide", "record", "incidents", "cautions", "foot")
_HOME_RATERS = ("child", "parent", "other")


@dataclass(frozen=True)
class Step:
    """One step of a ladder: its number, what is done, how high, and what else makes it the same step."""

    number: int
    activity: str = ""
    height: str = ""
    conditions: str = ""


@dataclass(frozen=True)
class SheetFacts:
    """What is known before the sheet is filled in; ``""`` and None are lines to fill in.

    Attributes
    ----------
    child_id, ladder_id : str
    steps : tuple of Step
        Easiest first.
    probe_step : int or None
    minimum, maximum : float
        Ends of the child's fear scale.
    usual_rater, usual_setting : str
    primary : str
        Column of the rating that the answer rests on.
    outcome : str
        What is rated; another than fear has a weekly sheet only.
    label : str
        Name the practice goes by.
    """

    child_id: str = ""
    ladder_id: str = ""
    steps: tuple[Step, ...] = ()
    probe_step: int | None = None
    minimum: float = 0
    maximum: float = 10
    usual_rater: str = ""
    usual_setting: str = ""
    primary: str = "fear_peak"
    outcome: str = FEAR
    label: str = ""

    @property
    def probe(self) -> Step | None:
        """The probe step, where it and its ladder are recorded."""
        return next((step for step in self.steps if step.number == self.probe_step), None)


def sheet_html(form: Form, facts: SheetFacts, paper: str = "A4", lang: str = "en") -> str:
    """Lay out one recording sheet; the same facts give the same bytes.

    Parameters
    ----------
    form : Form
    facts : SheetFacts
    paper : {"A4", "letter"}
    lang : {"en", "es"}
        Language; other sheets than those in large type for families are kept in English.

    Returns
    -------
    str
        HTML without scripts or links to elsewhere.
    """
    return _Sheet(form, facts, paper, say.sheet_words(lang)).html()


def paper_word(paper: str) -> str:
    """Name a paper in a sentence."""
    return paper if paper == "A4" else paper.capitalize()


@dataclass(frozen=True)
class _Sheet:
    form: Form
    facts: SheetFacts
    paper: str
    words: Words

    def told(self, text: str) -> str:
        """Put a sentence of the sheet into its language."""
        return self.words.sentence(text)

    def html(self) -> str:
        wide, high = PAPER_MM[self.paper]
        title = " ".join(
            part for part in (self.told(self.form.title), self.facts.child_id, self.facts.ladder_id) if part
        )
        blocks = {
            "head": self.head,
            "strip": self.strip,
            "extras": self.extras,
            "guide": self.guide,
            "record": self.record,
            "incidents": self.incidents,
            "cautions": self.cautions,
            "foot": self.foot,
        }
        body = "\n".join(
            f'<section class="{name}" style="height:{height:.2f}mm;'
            f'margin-bottom:{0 if name == "foot" else _GAP}mm">{blocks[name]()}</section>'
            for name, height in self.heights.items()
        )
        on_screen = self.told(say.ON_SCREEN.format(paper=paper_word(self.paper)))
        translated = "" if self.words.lang == "en" else " translated"
        css = (TEMPLATES / "recording_sheet" / "sheet.css").read_text(encoding="utf-8")
        return (
            "<!DOCTYPE html>\n"
            f'<html lang="{self.words.lang}"><head><meta charset="utf-8"><title>{escape(title)}</title>\n'
            '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
            f"<style>@page {{ size: {self.paper} portrait; margin: 0; }}\n{css}</style>\n</head>\n"
            f'<body><p class="on-screen">{on_screen}</p>\n'
            f'<main class="page{" large" if self.form.large else ""}{translated}" style="width:{wide}mm;'
            f'height:{high - _SLACK}mm;padding:{_TOP}mm {_SIDE}mm {_BOTTOM}mm">\n{body}\n'
            "</main></body></html>\n"
        )

    @cached_property
    def heights(self) -> dict[str, float]:
        """Share out the paper, in mm: fixed blocks first, then the guide, and the rows get the rest."""
        fixed = self.fixed_heights
        guide = self.guide_height
        record = self.room - guide
        if self.form.steps == "rows":
            # A short ladder leaves room, and the thermometer takes it.
            spare = max(record - self.head_rows - _MOST_ROW * len(self.steps), 0.0)
            guide, record = guide + spare, record - spare
        found = {**fixed, "guide": guide, "record": record}
        return {name: found[name] for name in _BLOCKS if name in found}

    @cached_property
    def fixed_heights(self) -> dict[str, float]:
        large = self.form.large
        found = {
            "head": 15.6 if large else 13.5,
            "strip": 14.0 if large else 13.4 if "date" in self.form.once else 10.6,
            "cautions": 46.0 if large else 40.0,
            "foot": 9.0 if large else 9.6,
        }
        if self.form.extras:
            found["extras"] = 10.4
        if self.form.table in _WITH_INCIDENTS:
            found["incidents"] = _INCIDENT_TITLE + 0.8 + sum(self.incident_rows)
        return found

    @property
    def room(self) -> float:
        """What the fixed blocks leave for the guide and the rows."""
        inside = PAPER_MM[self.paper][1] - _SLACK - _TOP - _BOTTOM
        return inside - _GAP * (len(self.fixed_heights) + 1) - sum(self.fixed_heights.values())

    @property
    def second_title(self) -> float:
        """Room for the titles of the workbook, where the sheet is in another language."""
        return 0.0 if self.words.lang == "en" else 2.4

    @property
    def incident_rows(self) -> tuple[float, ...]:
        """Heights of the table of incidents: its head, then its rows."""
        return (7.4 + self.second_title, 12.8 + self.second_title) if self.form.large else (5.0, 10.8)

    @property
    def head_rows(self) -> float:
        if "outcome" in self.form.rows:
            return 15.0 + 2 * self.second_title if self.form.large else 14.0
        return 11.6 + 2 * self.second_title if self.form.large else 8.0

    @property
    def guide_height(self) -> float:
        if self.form.steps == "line":
            # What keeps the step the same takes two lines.
            return (69.0 if self.form.large else 58.0) + (16.0 if self.conditions else 0.0)
        if self.form.steps == "rows":
            return 54.0
        wanted = _LADDER_TITLE + _LADDER_LINE * sum(self.lines(step) for step in self.listed)
        return max(62.5 if self.form.large else 60.0, wanted)

    @property
    def most_lines(self) -> int:
        """Lines of the ladder that leave room for the least number of rows."""
        rows = (4 if self.form.large else 5) * self.form.least_row
        return int((self.room - self.head_rows - rows - _LADDER_TITLE) // _LADDER_LINE)

    @property
    def line_length(self) -> int:
        """Letters of an activity that surely fit on one line."""
        return 33 if self.form.large else 36 if self.form.steps == "rows" else 40

    def activity(self, step: Step) -> str:
        """What is done on a step, cut to two lines."""
        most = 2 * self.line_length - 14
        words = step.activity
        return words if len(words) <= most else f"{words[: most - 1].rstrip()}…"

    def lines(self, step: Step) -> int:
        return 1 if len(step.activity) <= self.line_length else 2

    @cached_property
    def steps(self) -> tuple[Step, ...]:
        """All steps, or lines to fill in where there are none."""
        return self.facts.steps or tuple(Step(number) for number in range(1, _BLANK_STEPS + 1))

    @property
    def rows_that_fit(self) -> int:
        return int((self.heights["record"] - self.head_rows) // self.form.least_row)

    @cached_property
    def listed(self) -> tuple[Step, ...]:
        """The steps that stand on the sheet: all, or those around the probe step of a long ladder."""
        if self.form.steps == "rows":
            return self.steps[: self.rows_that_fit]
        at = next(
            (place for place, step in enumerate(self.steps) if step.number == self.facts.probe_step), 0
        )
        nearest = sorted(range(len(self.steps)), key=lambda place: (abs(place - at), place))
        used = accumulate(self.lines(self.steps[place]) for place in nearest)
        kept = {place for place, lines in zip(nearest, used, strict=True) if lines <= self.most_lines}
        return tuple(step for place, step in enumerate(self.steps) if place in kept)

    @property
    def weekly(self) -> bool:
        return self.form.table == "ratings"

    @property
    def probes(self) -> bool:
        return self.weekly or self.form.trial_kind == "probe"

    @property
    def conditions(self) -> str:
        """What keeps the probe step the same step, where the sheet is for probes."""
        step = self.facts.probe
        return step.conditions if step is not None and self.probes else ""

    def box(self, table: str, name: str, value: str = "", *, only: Sequence[str] = ()) -> str:
        return box(table, name, value, only=only, say=self.words)

    def head(self) -> str:
        facts, table = self.facts, self.form.table
        codes = self.box(table, "child_id", facts.child_id) + self.box(table, "ladder_id", facts.ladder_id)
        return (
            f"<div><h1>{self.told(self.form.title)}</h1>"
            f'<p class="purpose">{self.told(self.form.purpose)}</p></div>'
            f'<div class="codes">{codes}</div>'
        )

    def strip(self) -> str:
        facts = self.facts
        known = {
            "kind": self.form.trial_kind,
            "outcome": self.facts.outcome,
            "step": "" if facts.probe_step is None else str(facts.probe_step),
            "rated_by": facts.usual_rater,
            "setting": "home" if self.form.large else "",
        }
        parts = [
            self.box(
                self.form.table, name, known.get(name, ""),
                only=_HOME_RATERS if self.form.large and name == "rated_by" else (),
            )
            for name in self.form.once
            if name not in ("child_id", "ladder_id")
        ]  # fmt: skip
        return "".join(parts)

    def extras(self) -> str:
        return "".join(
            f'<b class="group">{escape(schema(table).title)}</b>'
            + "".join(self.box(table, name) for name in names)
            for table, names in self.form.extras.items()
        )

    def guide(self) -> str:
        points = list(self.form.how)
        if self.conditions:
            same = ", ".join(self.told(part) for part in self.conditions.split(", "))
            points.insert(0, say.SAME.format(conditions=escape(same)))
        listed = "".join(f"<li>{self.told(point)}</li>" for point in points)
        how = f"<h2>{self.told(say.HOW)}</h2><ul>{listed}</ul>"
        low, high = say.ENDS if self.facts.outcome == FEAR else say.OTHER_ENDS
        drawn = thermometer(
            self.facts.minimum, self.facts.maximum,
            width=46.0 if self.form.large else 37.0, height=self.heights["guide"],
            ends=(self.told(low), self.told(high)),
            size=4.6 if self.form.large else 3.5,
            title=self.told(
                say.THERMOMETER
                if self.facts.outcome == FEAR
                else say.OTHER_SCALE.format(outcome=self.facts.outcome)
            ),
        )  # fmt: skip
        scale = f'<div class="scale">{drawn}</div>'
        if self.form.steps == "list":
            return f'{self.ladder()}<div class="how">{how}</div>{scale}'
        top = self.probe_line() if self.form.steps == "line" else ""
        return f'<div class="how alone">{top}{how}{self.left_out()}</div>{scale}'

    def ladder(self) -> str:
        """The steps as rungs, the hardest on top as on a real ladder."""
        rungs = []
        for step in reversed(self.listed):
            probe = ' class="probe"' if self.probes and step.number == self.facts.probe_step else ""
            blank = "" if step.activity else ' data-field="ladders.activity"'
            rungs.append(
                f'<li{probe}><span class="number">{step.number}</span>'
                f'<span class="activity"{blank}>{escape(self.activity(step))}</span>'
                f'<span class="measure">{"" if self.form.large else escape(step.height)}</span></li>'
            )
        title = self.told(say.LADDER)
        return f'<div class="ladder"><h2>{title}</h2><ol>{"".join(rungs)}</ol>{self.left_out()}</div>'

    def left_out(self) -> str:
        if self.form.steps == "line" or len(self.listed) == len(self.steps):
            return ""
        first, last = self.listed[0].number, self.listed[-1].number
        more = self.told(say.MORE_STEPS.format(first=first, last=last, n=len(self.steps)))
        return f'<p class="more">{more}</p>'

    def probe_line(self) -> str:
        step = self.facts.probe
        number = "" if self.facts.probe_step is None else str(self.facts.probe_step)
        words = "" if step is None else self.activity(step)
        return (
            f'<div class="probe-step"><h2>{self.told(say.PROBE_STEP)}</h2><div class="strip">'
            f"{self.box('plans', 'probe_step', number)}{self.box('ladders', 'activity', words)}</div></div>"
        )

    def record(self) -> str:
        facts, form = self.facts, self.form
        room = self.heights["record"] - self.head_rows - 0.6
        ladder = form.steps == "rows"
        number = len(self.listed) if ladder else int(room // form.least_row)
        rows: list[dict[str, str]] = [{} for _ in range(number)]
        if ladder:
            rows = [{"step": str(step.number), "activity": self.activity(step)} for step in self.listed]
        elif form.table == "observations" and "trial" in form.rows:
            rows = [{"trial": str(place + 1)} for place in range(number)]
        scale = say.SCALE.format(low=f"{facts.minimum:g}", high=f"{facts.maximum:g}")
        hints = dict.fromkeys(("fear_before", "fear_peak", "fear_end", "rating"), scale)
        hints["date"] = say.DATE
        hints["setting"] = say.USUAL.format(setting=facts.usual_setting) if facts.usual_setting else ""
        return table(
            form.table, form.rows, rows, head=self.head_rows, row=room / number, hints=hints,
            strong=facts.primary if self.probes and form.table == "observations" else "",
            activity=58.0 if ladder else 0.0, say=self.words,
        )  # fmt: skip

    def incidents(self) -> str:
        head, *rows = self.incident_rows
        columns = HOME_INCIDENTS if self.form.large else INCIDENTS
        made = table(
            "incidents", columns, [{}] * len(rows), head=head, row=rows[0], hints={}, say=self.words
        )
        words = self.told(say.HOME_INCIDENTS if self.form.large else say.INCIDENTS)
        none = f'<span class="option"><span class="tick" data-none="incidents"></span>{words}</span>'
        title = escape(self.told(schema("incidents").title))
        return f'<div class="heading"><h2>{title}</h2>{none}</div>{made}'

    def cautions(self) -> str:
        if self.form.large:
            title, signs, later = say.HOME_STOP_TITLE, say.HOME_STOP_SIGNS, say.HOME_STOP_LATER
            every, defer = say.HOME_CAUTIONS, say.HOME_DEFER
        else:
            title, signs, later = say.STOP_TITLE, say.STOP_SIGNS, say.STOP_LATER
            every, defer = (*say.CAUTIONS, say.CLEARANCE), say.DEFER
        listed = "".join(f"<li>{self.told(sign)}</li>" for sign in signs)
        told = "".join(f"<p>{self.told(caution)}</p>" for caution in every)
        return (
            f'<div class="stop"><h2>{self.told(title)}</h2><ul>{listed}</ul>'
            f'<p class="small">{self.told(later)}</p></div>'
            f'<div class="every"><h2>{self.told(say.CAUTIONS_TITLE)}</h2>{told}'
            f'<p class="small">{self.told(defer)}</p></div>'
        )

    def foot(self) -> str:
        label = f"{escape(self.facts.label)}. " if self.facts.label else ""
        if self.form.large:
            return f"<p>{self.told(say.HOME_CODES_ONLY)}</p><p>{label}</p>"
        typed = say.TYPE_IN.format(table=self.form.table) + (
            say.TYPE_NONE if "incidents" in self.heights else ""
        )
        return f"<p>{typed}</p><p>{label}{say.CODES_ONLY}</p>"
