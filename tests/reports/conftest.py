"""What the tests of pages share: a reader of HTML, and cells made without running a notebook."""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass, field, replace
from datetime import date
from html.parser import HTMLParser
from pathlib import Path

import nbformat
import numpy as np
import pytest
from rungwise.basis.estimate import Estimate
from rungwise.reports.study_inputs import read_study
from rungwise.series.caseload import read_caseload
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.child_answer import ChildAnswer, LadderAnswer
from rungwise.single_case.error_rates import ErrorRates
from rungwise.single_case.verdict import Rule, Verdict, words_of
from rungwise.single_case.verdict_words import headline, questions

sys.path.insert(0, str(Path(__file__).parent))

from child_rows import HEADER, ratings

VOID = {"meta", "img", "br", "hr", "source", "link", "input"}


@dataclass
class Element:
    tag: str
    attributes: dict[str, str]
    inside: list[str]
    text: str = ""


@dataclass
class Page(HTMLParser):
    """Elements of a page in order, with their texts and the tags they stand in."""

    elements: list[Element] = field(default_factory=list)
    open: list[Element] = field(default_factory=list)

    def __post_init__(self):
        super().__init__()

    def handle_starttag(self, tag, attributes):
        element = Element(tag, dict(attributes), [outer.tag for outer in self.open])
        self.elements.append(element)
        if tag not in VOID:
            self.open.append(element)

    def handle_endtag(self, tag):
        if tag in VOID:
            return
        assert self.open, f"</{tag}> closes nothing"
        assert self.open[-1].tag == tag, f"</{tag}> closes <{self.open[-1].tag}>"
        self.open.pop()

    def handle_data(self, data):
        for element in self.open:
            element.text += data

    def all(self, tag: str, **attributes: str) -> list[Element]:
        wanted = {name.rstrip("_").replace("_", "-"): value for name, value in attributes.items()}
        return [
            element
            for element in self.elements
            if element.tag == tag
            and all(element.attributes.get(name) == value for name, value in wanted.items())
        ]


@pytest.fixture
def read_page():
    def read(html: str) -> Page:
        page = Page()
        page.feed(html)
        page.close()
        assert page.open == [], "every tag is closed"
        return page

    return read


@pytest.fixture(scope="module")
def unprinted():
    """Let figures be drawn but not made into pictures, for tests that read what is said of them."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("rungwise.reports.blocks.picture_bytes", lambda figure, *_, **__: b"no picture")
        yield


@pytest.fixture
def cell_of():
    """Make an executed cell that shows a block."""

    def make(block, *tags: str):
        shown = block._repr_mimebundle_()
        data, metadata = shown if isinstance(shown, tuple) else (shown, {})
        output = nbformat.v4.new_output("display_data", data=data, metadata=metadata)
        return nbformat.v4.new_code_cell(
            "secret_code()", execution_count=1, metadata={"tags": list(tags)}, outputs=[output]
        )

    return make


def estimate(
    statistic: str, value: float, low: float = math.nan, high: float = math.nan, **fields
) -> Estimate:
    return Estimate(statistic, value, low, high, **{"n": 14, "method": f"{statistic}, by hand", **fields})


def hand_made_verdict(code: str = "fell_beyond_baseline", *, declines: bool = True) -> Verdict:
    """A verdict whose numbers were written down, not computed."""
    made = Verdict(
        code=code,
        words=words_of(code),
        fell=estimate("tau", 0.82, 0.4, 0.95, p_value=0.0004, counts={"smallest_p": 0.00005}),
        worse=estimate("tau", 0.82, p_value=0.99992),
        size=estimate("nap", 0.91, 0.7, 0.975),
        baseline_trend=estimate("mann_kendall", 0.2, p_value=0.36, n=6, counts={"smallest_p": 0.0014}),
        beyond_baseline=estimate("at_end", -4.2, -7.9, -0.5, unit="points"),
        difference=estimate("mean_difference", -3.6, -5.1, -2.1, unit="points"),
        without_declines=(
            estimate("tau", 0.79, p_value=0.0009, counts={"smallest_p": 0.0001}) if declines else None
        ),
        beyond_with_declines=estimate("at_end", -4.4, -8.3, -0.6, unit="points") if declines else None,
        smallest_p=0.00005,
        questions=(),
        cautions=("A caution that must stand beside the number.",),
    )
    return replace(made, questions=questions(made, 0.05))


SERIES = PhaseSeries(
    [8, 7, None, 8, 9, 7, 6, 7, None, 5, 4, 3, 2, 3, 2, 1],
    ["baseline"] * 6 + ["exposure"] * 8 + ["maintenance"] * 2,
    np.arange(16) * 7.0,
    [False] * 2 + [True] + [False] * 13,
    label="C014 gangway",
    floor=0,
    ceiling=10,
)
RATES = ErrorRates(
    5, 10, {0.0: 0.01, 0.2: 0.02, 0.4: 0.034, 0.6: 0.062}, {0.0: 0.8, 0.2: 0.74, 0.4: 0.61, 0.6: 0.5},
    "a fall of 3 points", {0.0: 0.96, 0.2: 0.95, 0.4: 0.93, 0.6: 0.9},
)  # fmt: skip


def hand_made_answer(code: str = "fell_beyond_baseline", ladders: int = 1) -> ChildAnswer:
    """An answer about an invented child, over one ladder or several."""
    verdict = hand_made_verdict(code)
    names = ["gangway", "rope net", "tire swing"][:ladders]
    return ChildAnswer(
        child_id="C014",
        outcome="fear",
        headline=headline(verdict, "C014's fear"),
        verdict=verdict,
        ladders=tuple(LadderAnswer(name, SERIES, hand_made_verdict(code)) for name in names),
        rates=RATES,
        level=1,
        set_aside=0,
        rule=Rule(),
        cautions=verdict.cautions,
    )


@pytest.fixture
def answer_of():
    """Make a hand-made answer: a verdict code and how many ladders."""
    return hand_made_answer


@pytest.fixture
def caseload_of(tmp_path):
    """Read a caseload from the lines of one ratings file."""

    def read(*lines: str):
        (tmp_path / "ratings.csv").write_text(HEADER + "\n".join(lines) + "\n")
        return read_caseload(tmp_path, today=date(2026, 12, 31))

    return read


@pytest.fixture
def caseload(caseload_of):
    return caseload_of(*ratings("C014"), *ratings("C020"))


@pytest.fixture(scope="session")
def study_inputs():
    """Give the demo study, read by its plan."""
    demo = Path(__file__).parents[2] / "data_demo" / "study"
    return read_study(demo / "records", plan=demo / "plan.json", today=date(2026, 11, 13))
