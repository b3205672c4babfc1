"""The committed demo study is what its script makes, and says that it is invented."""

import importlib.util
from pathlib import Path

import pytest
from rungwise.study.preanalysis import read_preanalysis
from rungwise.study.schedule import open_schedule

DEMO = Path(__file__).parents[2] / "data_demo"


@pytest.fixture(scope="module")
def remade(tmp_path_factory):
    spec = importlib.util.spec_from_file_location("make_study", DEMO / "make_study.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    folder = tmp_path_factory.mktemp("study")
    module.make(folder)
    return folder


def test_the_same_seed_gives_the_same_bytes(remade):
    made = sorted(path.relative_to(remade) for path in remade.rglob("*") if path.is_file())
    there = sorted(
        path.relative_to(DEMO / "study") for path in (DEMO / "study").rglob("*") if path.is_file()
    )
    assert made == there
    for name in made:
        assert (DEMO / "study" / name).read_bytes() == (remade / name).read_bytes(), name


def test_plan_and_schedule_belong_together():
    planned = read_preanalysis((DEMO / "study/plan.json").read_text(encoding="utf-8"))
    schedule = open_schedule((DEMO / "study/schedule.json").read_text(encoding="utf-8"))
    assert planned.commitment == schedule.commitment
    assert "S05" not in [case.child_id for case in planned.plan.cases]
