"""A shipped notebook runs with parameters, and what goes wrong is said plainly."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import nbformat
import pytest
from rungwise.basis.errors import DataProblems, NotEnoughData, RungwiseError
from rungwise.reports import notebook_run
from rungwise.reports.notebook_run import notebook_parameters, run_notebook


@pytest.fixture
def ship(tmp_path, monkeypatch):
    """Ship one notebook: a parameters cell and further cells."""
    monkeypatch.setattr(notebook_run, "shipped", lambda kind: tmp_path)

    def write(parameters: str, *cells: str) -> None:
        first = nbformat.v4.new_code_cell(parameters, metadata={"tags": ["parameters"]})
        rest = [nbformat.v4.new_code_cell(source) for source in cells]
        nbformat.write(nbformat.v4.new_notebook(cells=[first, *rest]), tmp_path / "page.ipynb")

    return write


def text_of(notebook, last=-1):
    return notebook.cells[last].outputs[0]["data"]["text/plain"]


def test_parameters_and_their_types_are_read_from_the_cell(ship):
    ship("path = 'a.csv'\nchild: str | None = None\nmargin: float = 1\nwide = False")
    known = notebook_parameters("page")
    assert {name: one.wanted for name, one in known.items()} == {
        "path": "str", "child": "str or None", "margin": "float", "wide": "bool",
    }  # fmt: skip
    assert known["margin"].default == 1


def test_given_values_replace_defaults_and_others_stay(ship):
    ship("child: str | None = None\nmargin = 1.0", "child, margin")
    assert text_of(run_notebook("page", {"child": "C014"})) == "('C014', 1.0)"
    assert text_of(run_notebook("page")) == "(None, 1.0)"


def test_a_path_becomes_absolute(ship, tmp_path, monkeypatch):
    ship("path = 'a.csv'", "path")
    monkeypatch.chdir(tmp_path)
    assert text_of(run_notebook("page", {"path": Path("b.csv")})) == repr(str(tmp_path / "b.csv"))


def test_a_whole_number_serves_where_a_decimal_one_is_wanted(ship):
    ship("margin = 1.0", "margin")
    assert text_of(run_notebook("page", {"margin": 2})) == "2.0"


def test_an_unknown_parameter_is_refused_with_those_allowed(ship):
    ship("path = 'a.csv'\nchild: str | None = None", "path")
    with pytest.raises(
        ValueError, match=r"^parameters of the notebook 'page' must be among path, child; got 'kid'\.$"
    ):
        run_notebook("page", {"kid": "C014"})


@pytest.mark.parametrize(
    ("parameters", "given", "message"),
    [
        ("child: str | None = None", {"child": 14}, "child must be of type str or None; got 14."),
        ("wide = False", {"wide": 1}, "wide must be of type bool; got 1."),
        ("weeks = 3", {"weeks": True}, "weeks must be of type int; got True."),
        ("weeks = 3", {"weeks": 2.5}, "weeks must be of type int; got 2.5."),
        ("path = 'a'", {"path": None}, "path must be of type str; got None."),
    ],
)
def test_a_value_of_the_wrong_type_is_refused(ship, parameters, given, message):
    ship(parameters)
    with pytest.raises(ValueError) as caught:
        run_notebook("page", given)
    assert str(caught.value) == message


@pytest.mark.parametrize(
    ("source", "message"),
    [
        ("import os", "must hold assignments of plain values only; got 'import os'."),
        ("path: bytes = b''", "must be declared with str, int, float, bool, None; got bytes."),
    ],
)
def test_a_parameters_cell_that_does_more_is_refused(ship, source, message):
    ship(source)
    with pytest.raises(ValueError, match=message.replace(".", r"\.")):
        notebook_parameters("page")


def test_an_unknown_notebook_is_refused_with_those_there_are(ship):
    ship("x = 1")
    with pytest.raises(ValueError, match=r"^name must be one of 'page'; got 'pages'\.$"):
        run_notebook("pages")


def test_the_notebook_runs_in_this_python_without_personal_start_up_files(ship, tmp_path, monkeypatch):
    startup = tmp_path / "profile_default" / "startup"
    startup.mkdir(parents=True)
    (startup / "mine.py").write_text("personal = 1")
    monkeypatch.setenv("IPYTHONDIR", str(tmp_path))
    ship("x = 1", "import sys; sys.executable, 'personal' in globals()")
    assert text_of(run_notebook("page")) == repr((sys.executable, False))


def test_nothing_in_the_result_depends_on_the_clock_or_on_chance(ship):
    ship("x = 1", "{'b', 'a', 'c'}", "x")
    first, second = (nbformat.writes(run_notebook("page", {"x": 2})) for _ in range(2))
    assert first == second


def test_progress_counts_code_cells(ship):
    ship("x = 1", "x", "x + 1")
    seen = []
    run_notebook("page", progress=lambda done, total: seen.append((done, total)))
    assert seen == [(1, 3), (2, 3), (3, 3)]


@pytest.mark.parametrize(
    ("source", "kind", "message"),
    [
        (
            "import rungwise as rw; raise rw.NotEnoughData('Two occasions; 3 needed.')",
            NotEnoughData,
            "Two occasions; 3 needed.",
        ),
        (
            "import rungwise as rw; raise rw.DataProblems('No sound row.', None)",
            DataProblems,
            "No sound row.",
        ),
        (
            "1 / 0",
            RungwiseError,
            "The notebook 'page' could not be run to its end (ZeroDivisionError: division by zero).",
        ),
    ],
)
def test_a_failing_cell_becomes_a_plain_error_of_the_right_class(ship, source, kind, message):
    ship("x = 1", source)
    with pytest.raises(kind) as caught:
        run_notebook("page")
    assert type(caught.value) is kind
    assert str(caught.value) == message


def test_a_cell_that_takes_too_long_is_stopped(ship):
    ship("x = 1", "import time; time.sleep(30)")
    with pytest.raises(RungwiseError, match="took longer than 1 seconds and was stopped"):
        run_notebook("page", timeout=1)


def test_a_process_that_dies_is_reported_plainly(ship):
    ship("x = 1", "import os; os._exit(3)")
    with pytest.raises(RungwiseError, match="ended unexpectedly"):
        run_notebook("page")


def test_nothing_is_read_through_grammars_that_no_notebook_needs():
    """They take a second or two to build, at the start of every report."""
    code = (
        "import sys; from rungwise.reports.notebook_run import notebook_parameters\n"
        "print(len(notebook_parameters('one_child')))\n"
        "print(*(name for name in ('jsonschema', 'lark', 'rfc3987_syntax') if name in sys.modules))"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.split() == ["6", "jsonschema"]
