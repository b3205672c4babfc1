import math
from datetime import date

import pytest
from rungwise.audit.cohort import cohort
from rungwise.audit.quarter import Quarter
from rungwise.audit.safety import per_100, safety

Q3 = Quarter.parse("2026Q3")
LATER = date(2027, 1, 15)


def of(load, quarter=Q3):
    return safety(load, cohort(load, quarter, LATER))


def incident(child, day, severity="minor", kind="fall", **more):
    return {"child_id": child, "date": day, "severity": severity, "kind": kind} | more


@pytest.mark.parametrize(
    ("events", "low", "high"),
    # Garwood 1936 limits for 0, 1, 3 and 10 events (rows match published tables).
    [(0, 0, 3.6889), (1, 0.0253, 5.5716), (3, 0.6187, 8.7673), (10, 4.7954, 18.3904)],
)
def test_rates_have_exact_poisson_limits(events, low, high):
    rate = per_100(events, 250)
    assert rate.value == events / 2.5
    assert rate.ci_low == pytest.approx(low / 2.5, abs=5e-5)
    assert rate.ci_high == pytest.approx(high / 2.5, abs=5e-5)


def test_no_table_is_not_no_incident(caseload, weekly):
    found = of(caseload(ratings=weekly("C01", "2026-07-06", [7] * 4)))
    assert not found.recorded
    assert found.rates.empty
    assert found.sentences == ("Incidents were not recorded, so nothing can be said about safety.",)


def test_no_incident_has_an_upper_limit(caseload, weekly):
    found = of(caseload(ratings=weekly("C01", "2026-07-06", [7] * 10), incidents=[]))
    assert found.recorded
    row = found.rates.iloc[0]
    assert (row["incidents"], row["per_100"], row["low_100"]) == (0, 0, 0)
    assert row["high_100"] == pytest.approx(36.889, abs=1e-3)
    assert found.sentences == (
        "No incident was recorded over 10 occasions; that is no proof of none: up to 36.9 per 100 "
        "occasions would still fit (95% interval).",
    )


def test_only_the_quarter_counts_and_every_serious_one_is_listed(caseload, weekly):
    incidents = [
        incident("C01", "2026-06-30", "serious"),
        incident("C01", "2026-07-01", "serious", kind="near_fall", step=4, setting="harbor", action="mat"),
        incident("C02", "2026-09-30", "serious"),
        incident("C02", "2026-10-01", "serious"),
        incident("C02", "2026-08-01", "moderate", kind="nausea"),
    ]
    found = of(caseload(ratings=weekly("C01", "2026-07-06", [7] * 4), incidents=incidents))
    assert found.serious["child_id"].tolist() == ["C01", "C02"]
    assert found.serious["date"].tolist() == [date(2026, 7, 1), date(2026, 9, 30)]
    assert found.serious.loc[0, ["step", "setting", "action"]].tolist() == [4, "harbor", "mat"]
    counts = found.rates.set_index(["group", "value"])["incidents"]
    assert counts[("all", "all incidents")] == 3
    assert counts[("severity", "serious")] == 2
    assert counts[("severity", "minor")] == 0
    assert counts[("kind", "nausea")] == 1
    assert ("kind", "distress") not in counts.index
    assert found.sentences[0].startswith("3 incidents were recorded over 4 occasions: 75.0 per 100")
    assert found.sentences[0].endswith("2 of them serious.")


@pytest.mark.parametrize(("severity", "words"), [("serious", "serious"), ("minor", "not serious")])
def test_one_incident_is_not_spoken_of_in_the_plural(caseload, weekly, severity, words):
    load = caseload(
        ratings=weekly("C01", "2026-07-06", [7] * 4), incidents=[incident("C01", "2026-07-07", severity)]
    )
    assert of(load).sentences[0].startswith("1 incident was recorded over 4 occasions")
    assert of(load).sentences[0].endswith(f"), {words}.")


def test_an_occasion_is_a_child_on_a_day_wherever_it_was_recorded(caseload, weekly):
    ratings = [
        *weekly("C01", "2026-07-06", [7, 8], ladder="net"),
        *weekly("C01", "2026-07-06", [7, 8], ladder="tire"),
    ]
    sessions = [
        {"child_id": "C01", "date": "2026-07-06", "attended": "yes", "exposure_minutes": 30},
        {"child_id": "C01", "date": "2026-07-07", "attended": "yes", "exposure_minutes": 60},
        {"child_id": "C01", "date": "2026-07-08", "attended": "missed"},
        {"child_id": "C01", "date": "2026-07-09", "attended": "yes"},
        {"child_id": "C01", "date": "2026-06-09", "attended": "yes", "exposure_minutes": 600},
    ]
    found = of(caseload(ratings=ratings, sessions=sessions, incidents=[incident("C01", "2026-07-07")]))
    assert found.occasions == 4
    assert found.hours == 1.5
    assert found.minutes_of == (2, 3)
    row = found.rates.iloc[0]
    assert row["per_hour"] == pytest.approx(1 / 1.5)
    assert row["high_hour"] == pytest.approx(5.5716 / 1.5, abs=1e-4)


def test_without_minutes_there_is_no_rate_per_hour(caseload, weekly):
    found = of(
        caseload(ratings=weekly("C01", "2026-07-06", [7] * 4), incidents=[incident("C01", "2026-07-07")])
    )
    assert math.isnan(found.hours)
    assert math.isnan(found.rates["per_hour"][0])


def test_a_rate_by_setting_needs_the_setting_of_every_occasion(caseload, weekly):
    sessions = [
        {"child_id": "C01", "date": f"2026-07-0{day}", "attended": "yes", "setting": setting}
        for day, setting in ((1, "harbor"), (2, "harbor"), (3, "hall"))
    ]
    hit = [incident("C01", "2026-07-01", setting="harbor")]
    by_setting = of(caseload(sessions=sessions, incidents=hit)).rates.set_index(["group", "value"])
    assert by_setting.loc[("setting", "harbor"), "per_100"] == 50
    part = of(caseload(sessions=sessions, incidents=hit, ratings=weekly("C01", "2026-08-03", [7])))
    assert math.isnan(part.rates.set_index(["group", "value"]).loc[("setting", "harbor"), "per_100"])


def trial(child, day, step, setting="harbor", minutes=None):
    return {"child_id": child, "date": day, "step": step, "setting": setting, "minutes": minutes}


def test_a_rate_by_step_rests_on_the_occasions_on_which_that_step_was_tried(caseload):
    trials = [trial("C01", f"2026-07-0{day}", step, minutes=6) for day in (1, 2, 3, 4) for step in (1, 2)]
    trials += [trial("C01", "2026-07-04", 3, minutes=6), trial("C01", "2026-07-04", 3, minutes=6)]
    hit = [incident("C01", "2026-07-04", step=3), incident("C01", "2026-07-04", step=2)]
    found = of(caseload(observations=trials, incidents=hit))
    by_step = found.rates.set_index(["group", "value"]).loc["step"]
    assert found.occasions == 4
    assert by_step.index.tolist() == ["1", "2", "3"]
    assert by_step["per_100"].tolist() == [0, 25, 100]
    # Garwood 1936: no event leaves up to 3.6889.
    assert by_step.loc["1", "high_100"] == pytest.approx(3.6889 * 25, abs=2e-3)
    assert by_step["per_hour"].tolist() == pytest.approx([0, 1 / 0.4, 1 / 0.2])


def test_where_steps_are_often_unknown_there_is_no_rate_by_step(caseload, weekly):
    trials = [trial("C01", f"2026-07-0{day}", 1) for day in range(1, 9)]
    hit = [incident("C01", "2026-07-04", step=1), incident("C01", "2026-07-05")]
    part = of(caseload(observations=trials, incidents=hit, ratings=weekly("C01", "2026-08-03", [7])))
    assert part.known == {"setting": 8, "step": 8}
    rates = part.rates.set_index(["group", "value"])
    assert math.isnan(rates.loc[("step", "1"), "per_100"])
    assert rates.loc[("step", "not recorded"), "incidents"] == 1
    nearly = [*trials, *(trial("C02", f"2026-07-0{day}", 1) for day in range(1, 9))]
    enough = of(caseload(observations=nearly, incidents=hit, ratings=weekly("C01", "2026-08-03", [7])))
    assert enough.rates.set_index(["group", "value"]).loc[("step", "1"), "per_100"] == 100 / 16
