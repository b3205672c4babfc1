from dataclasses import fields

import pytest
from rungwise.tables.findings import Findings
from rungwise.tables.practice import SOURCES, Criterion, Mastery, Practice, Scale, read_practice

WHOLE = b"""
label = "Gull Steps (invented)"
primary_rating = "before"
alpha = 0.01
margin = 2
horizon_days = 120
quarter_start_month = 4
minimum_baseline = 5
minimum_exposure = 6
sharing_threshold = 10
date_order = "day_first"
[mastery]
rating_at_most = 2
occasions_in_a_row = 3
[scales.Fear]
minimum = 0
maximum = 100
[scales.confidence]
minimum = 1
maximum = 5
better = "higher"
[criteria.fell]
target = 0.6
exceptions = ["moved away"]
source = "the practice's board, 2026"
"""


def read(text):
    findings = Findings()
    practice = read_practice(text.encode() if isinstance(text, str) else text, "practice.toml", findings)
    return practice, [(problem.column, problem.code) for problem in findings.report()], findings.report()


def test_every_setting_can_be_given():
    practice, problems, _ = read(WHOLE)
    assert problems == []
    assert practice == Practice(
        label="Gull Steps (invented)",
        primary_rating="before",
        alpha=0.01,
        margin=2,
        mastery=Mastery(2, 3),
        horizon_days=120,
        quarter_start_month=4,
        minimum_baseline=5,
        minimum_exposure=6,
        sharing_threshold=10,
        date_order="day_first",
        scales={"fear": Scale(0, 100, "lower"), "confidence": Scale(1, 5, "higher")},
        criteria={"fell": Criterion(0.6, "at_least", ("moved away",), "the practice's board, 2026")},
        given=frozenset(SOURCES),
    )


def test_every_default_is_named_with_its_source():
    practice = Practice()
    names = {entry.name for entry in fields(Practice)} - {"given"}
    assert set(SOURCES) == names
    for name, _, source in practice.settings():
        assert source == f"default: {SOURCES[name]}"
        assert name in names
    given, _, _ = read("alpha = 0.1")
    assert given.source_of("alpha") == "practice.toml"
    assert given.source_of("margin").startswith("default: common practice, no source")


@pytest.mark.parametrize(
    ("text", "column", "code"),
    [
        ("alpa = 0.05", "alpa", "setting_unknown"),
        ("alpha = 5", "alpha", "setting_value"),
        ("alpha = 0", "alpha", "setting_value"),
        ('alpha = "0.05"', "alpha", "setting_value"),
        ("alpha = true", "alpha", "setting_value"),
        ("horizon_days = 84.5", "horizon_days", "setting_value"),
        ("horizon_days = 3", "horizon_days", "setting_value"),
        ("quarter_start_month = 13", "quarter_start_month", "setting_value"),
        ("minimum_baseline = true", "minimum_baseline", "setting_value"),
        ('primary_rating = "end"', "primary_rating", "setting_value"),
        ('date_order = "european"', "date_order", "setting_value"),
        ('label = ""', "label", "setting_value"),
        ("margin = -1", "margin", "setting_value"),
        ("sharing_threshold = 1", "sharing_threshold", "setting_value"),
        ("mastery = 3", "mastery", "setting_value"),
        ("[mastery]\nbelow = 3", "mastery.below", "setting_unknown"),
        ("[mastery]\noccasions_in_a_row = 0", "mastery.occasions_in_a_row", "setting_value"),
        ("scales = 10", "scales", "setting_value"),
        ("[scales.fear]\nminimum = 0", "scales.fear", "setting_value"),
        ("[scales.fear]\nminimum = 10\nmaximum = 0", "scales.fear", "setting_value"),
        (
            '[scales.fear]\nminimum = 0\nmaximum = 10\nbetter = "down"',
            "scales.fear.better",
            "setting_value",
        ),
        ("[scales.fear]\nminimum = 0\nmaximum = 10\nends = 3", "scales.fear.ends", "setting_unknown"),
        ("[criteria.fell]\ntarget = 60", "criteria.fell.target", "setting_value"),
        ("[criteria.fell]\nexceptions = []", "criteria.fell", "setting_value"),
        (
            '[criteria.fell]\ntarget = 0.6\nexceptions = "moved"',
            "criteria.fell.exceptions",
            "setting_value",
        ),
    ],
)
def test_a_wrong_setting_is_named_and_the_default_holds(text, column, code):
    practice, problems, _ = read(text)
    assert problems == [(column, code)]
    for name, value, source in practice.settings():
        if source != "practice.toml":
            assert value == getattr(Practice(), name)


def test_messages_say_what_is_allowed_and_what_holds():
    _, _, report = read("alpha = 5\nalpa = 1")
    assert report.problems[0].problem == (
        "Alpha must be a number between 0 and 0.5; the default, 0.05, holds until then."
    )
    assert report.problems[1].problem == "There is no setting alpa (perhaps alpha was meant)."


def test_the_rest_of_a_file_counts_where_one_setting_is_wrong():
    practice, problems, _ = read("alpha = 5\nmargin = 3\n[scales.joy]\nminimum = 0\nmaximum = 5")
    assert len(problems) == 1
    assert practice.margin == 3
    assert practice.scales["joy"] == Scale(0, 5, "lower")
    assert practice.scales["fear"] == Scale(0, 10, "lower")
    assert practice.given == {"margin", "scales"}
