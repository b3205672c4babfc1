"""What the README says is what the program does."""

import csv
import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
PLAIN = " ".join(README.split())


def rates():
    with open(ROOT / "toolkit/rungwise/data/verdict_rates.csv", encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def percent(shares):
    return [round(100 * float(share)) for share in shares]


def test_the_printed_answer_is_the_one_in_the_readme():
    command = [sys.executable, "-m", "rungwise.command", "child", "data_demo/one_child.csv"]
    printed = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True).stdout
    shown = re.search(r"prints:\n\n```\n(.*?)\n\nHow far to trust this", README, flags=re.DOTALL)
    assert shown is not None
    assert printed.startswith(shown[1])


def test_the_error_rates_are_those_of_the_table():
    without = [float(row["fell_beyond_baseline"]) for row in rates() if row["effect"] == "none"]
    assert f"In {len(without)} kinds of simulated children" in PLAIN
    assert f"wrongly in at most {100 * max(without):.1f} %" in PLAIN
    assert f"on average in {100 * sum(without) / len(without):.1f} %" in PLAIN


def test_the_power_is_that_of_the_table():
    def cells(n_baseline):
        return [
            row
            for row in rates()
            if (row["effect"], row["trend"], row["place"]) == ("standard", "none", "middle")
            and (row["n_baseline"], row["n_exposure"]) == (n_baseline, "12")
        ]

    fell = [
        sum(
            float(row[f"fell_{end}"])
            for end in ("beyond_baseline", "baseline_may_explain", "short_baseline")
        )
        for row in cells("6")
    ]
    seen, apart, longer = (
        percent(shares)
        for shares in (
            fell,
            [row["fell_beyond_baseline"] for row in cells("6")],
            [row["fell_beyond_baseline"] for row in cells("10")],
        )
    )
    assert f"seen as a fall in {min(seen)} to {max(seen)} %" in PLAIN
    assert f"own course in only {min(apart)} to {max(apart)} %" in PLAIN
    assert f"with 10 baseline occasions in {min(longer)} to {max(longer)} %" in PLAIN


def test_the_shares_of_simulated_children_are_those_of_the_table():
    with open(ROOT / "toolkit/rungwise/data/climbing.csv", encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    fell = ("fell_beyond_baseline", "fell_baseline_may_explain", "fell_short_baseline")
    practice = "practice ratings, step by step"
    outcomes = {
        "verdict: fell, beyond the baseline's own course": ("probe fear (verdict)", fell[:1]),
        "verdict: fell, whatever the reason": ("probe fear (verdict)", fell),
        "approach score": ("approach score", ("improved",)),
        "step-adjusted fear": ("step-adjusted fear (95 % interval)", ("improved",)),
        practice: (practice, ("improved",)),
        "the same, without the run that led upward": (
            f"{practice}, without the run that led upward", ("improved",),
        ),
        "practice ratings, all together": ("practice ratings, all steps together", ("improved",)),
    }  # fmt: skip
    calm = "up after 2 calm visits in a row"
    kinds = [("no change", calm), ("climbs", calm), ("eased", "led back to easier steps")]

    def share(kind, autocorrelation, outcome, results):
        return sum(
            float(row["share"])
            for row in rows
            if (row["children"], row["rule"], float(row["autocorrelation"])) == (*kind, autocorrelation)
            and row["outcome"] == outcome
            and row["result"] in results
        )

    for words, (outcome, results) in outcomes.items():
        cells = (
            " / ".join(f"{100 * share(kind, phi, outcome, results):.1f}" for phi in (0.0, 0.4))
            for kind in kinds
        )
        assert f"| {words} | {' | '.join(cells)} |" in README

    step_by_step = [
        float(row["share"])
        for row in rows
        if row["outcome"] == practice and row["result"] == "improved"
        if row["children"].startswith("no change")
    ]
    low, high = percent((min(step_by_step), max(step_by_step)))
    assert f"step by step calls {low} to {high} % of children without any change improved" in PLAIN


def test_every_file_and_folder_it_names_is_there():
    named = set(re.findall(r"\]\(([^)#:]+)\)", README)) | {
        match for match in re.findall(r"`([a-z_]+/[\w./]*)`", README) if not match.startswith("out/")
    }
    assert {"docs/report_page.png", "DEVELOPERS.md", "toolkit/"} <= named
    missing = sorted(name for name in named if not (ROOT / name).exists())
    assert missing == []


def test_no_placeholder_is_left():
    assert "@@" not in README
