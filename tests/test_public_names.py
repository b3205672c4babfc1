"""The public surface: every name is there, documented, and imported only when used."""

import doctest
import inspect
import subprocess
import sys
from importlib import import_module

import pytest
import rungwise

NAMES = [name for name in rungwise.__all__ if name != "__version__"]


@pytest.mark.parametrize("name", NAMES)
def test_every_public_name_is_documented_with_an_example_where_it_computes(name):
    thing = getattr(rungwise, name)
    text = inspect.getdoc(thing)
    assert text
    assert len(text.split()) > 8
    if inspect.isfunction(thing):
        module = sys.modules[thing.__module__]
        examples = doctest.DocTestFinder(recurse=False).find(thing, name, module=module)
        # What takes a whole caseload is shown in the notebooks, which run as tests.
        first = next(iter(inspect.signature(thing).parameters))
        reads_files = first in (
            "path",
            "caseload",
            "tables",
            "approach",
            "episodes",
            "paths",
            "source",
            "registry",
        )
        assert reads_files or any(example.examples for example in examples)


def _takes_one_series(thing):
    if not inspect.isfunction(thing):
        return False
    first, *rest = inspect.signature(thing).parameters.values()
    needed = [one for one in rest if one.default is one.empty and one.kind is not one.VAR_KEYWORD]
    return first.name == "series" and first.annotation == "PhaseSeries" and not needed


ONE_SERIES = [name for name in NAMES if _takes_one_series(getattr(rungwise, name))]


@pytest.mark.parametrize("name", ONE_SERIES)
def test_what_takes_one_series_refuses_several_and_none(name):
    series = rungwise.PhaseSeries.from_phases([7, 8, 7, 8, 7], [6, 5, 4, 3, 2, 1])
    for came, message in (([series, series], r"got 2 in one list: .*\(\*series\)"), ("x", "got 'x'")):
        with pytest.raises(ValueError, match=f"^series must be a PhaseSeries; {message}"):
            getattr(rungwise, name)(came)


def test_many_names_take_one_series():
    assert len(ONE_SERIES) >= 15


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="has no attribute 'no_such_name'"):
        rungwise.no_such_name  # noqa: B018


def test_importing_the_package_imports_none_of_its_rooms():
    rooms = "('rungwise.', 'numpy', 'pandas')"
    code = f"import rungwise, sys; print(*(m for m in sys.modules if m.startswith({rooms})))"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == ""


@pytest.mark.parametrize("room", ["basis.estimate", "series.batch", "models.gls", "single_case.effects"])
def test_statistics_import_without_plotting_jupyter_or_data_frames(room):
    heavy = "('pandas', 'scipy', 'statsmodels', 'pandera', 'matplotlib', 'seaborn', 'nbclient', 'IPython')"
    code = f"import rungwise.{room}, sys; print(*[m for m in {heavy} if m in sys.modules])"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == ""


def test_the_star_list_is_the_map():
    assert set(dir(rungwise)) >= set(NAMES)
    for name in NAMES:
        assert getattr(import_module(f"rungwise.{rungwise._HOMES[name]}"), name) is getattr(rungwise, name)
