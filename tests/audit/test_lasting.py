from datetime import date

import pytest
from rungwise.audit.audit import audit_quarter

FALLING = [6, 6, 5, 5, 4, 4, 3, 3, 2, 2, 1, 1]


@pytest.fixture
def load(caseload, weekly):
    ratings = [
        *weekly("C01", "2026-03-02", [7, 8, 7, 8], FALLING, [2, 1, 2, 9]),  # lasted, median 2
        *weekly("C02", "2026-03-02", [7, 8, 7, 8], FALLING, [7, 8, 7]),  # went back
        *weekly("C03", "2026-03-02", [7, 8, 7, 8], FALLING, [1, 1]),  # too few later ratings
        *weekly("C04", "2026-03-02", [7, 8, 7, 8], [7, 8, 7, 9] * 3, [1, 1, 1]),  # had not fallen
    ]
    return caseload(ratings=ratings)


def test_only_falls_with_enough_later_ratings_are_counted(load):
    audit = audit_quarter(load, "2026Q2", today="2026-11-01")
    assert audit.lasting == ()
    (said,) = audit_quarter(load, "2026Q3", today="2026-11-01").lasting
    assert said.startswith(
        "In maintenance: of 2 children whose ratings had fallen and who have at least 3 later ratings, 1 "
        "stayed at least 1 point better than baseline (50%, 95% interval"
    )


def test_ratings_after_the_last_day_looked_at_do_not_count(load):
    assert audit_quarter(load, "2026Q3", today=date(2026, 7, 1)).lasting == ()
