"""Every outside value, asserted one by one."""

import pytest
from rungwise.published.check import STANDINGS, Check
from rungwise.published.listing import checks, published_checks, topics

CHECKS = [
    pytest.param(check, id=f"{topic}: {check.statistic} / {check.example}"[:120])
    for topic in topics()
    for check in checks(topic)
]


@pytest.mark.parametrize("check", CHECKS)
def test_ours_agrees_with_the_outside_value(check: Check):
    assert abs(check.ours() - check.published) <= check.tolerance


@pytest.mark.parametrize("check", CHECKS)
def test_each_check_names_its_source_and_can_fail(check: Check):
    assert check.standing in STANDINGS
    assert check.source.strip()
    assert check.example.strip()
    assert check.tolerance < max(0.02 * abs(check.published), 0.06) or check.note


def test_the_list_shows_every_check_once():
    assert len(published_checks()) == len(CHECKS)


def test_a_check_that_is_off_says_so():
    off = Check("tau", "made up", "none", "unconfirmed", published=0.5, ours=lambda: 0.52, tolerance=0.005)
    assert not off.agrees()


def test_a_check_that_cannot_be_computed_does_not_agree():
    missing = Check("tau", "made up", "none", "unconfirmed", 0.5, lambda: float("nan"), 0.005)
    assert not missing.agrees()


def test_a_standing_outside_the_list_is_refused():
    with pytest.raises(ValueError, match=r"standing must be one of .*; got 'heard of'"):
        Check("tau", "made up", "none", "heard of", 0.5, lambda: 0.5, 0.005)
