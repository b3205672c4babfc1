"""Run one of the shipped notebooks with parameters: how every report is made.

A report is its notebook with other parameters, so the two cannot disagree. A notebook that can be
run this way has one code cell tagged ``parameters`` that holds nothing but assignments of plain
values, with a type where the default alone does not say it (``child: str | None = None``).

Further tags have a meaning on the page (`rungwise.reports.html`): ``notebook-only`` cells are for
those who open the notebook and are left out of reports; ``page-footer`` cells end the page.
"""

from __future__ import annotations

import ast
import os
import re
import sys
import tempfile
import types
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rungwise.basis.errors import DataProblems, RungwiseError
from rungwise.resources import shipped
from rungwise.tables.problems import ProblemReport
from rungwise.tables.whole_files import NO_SPACE, NotWritten

if TYPE_CHECKING:
    import nbformat

PARAMETERS = "parameters"
INJECTED = "injected-parameters"
_PLAIN = {"str": str, "int": int, "float": float, "bool": bool, "None": type(None)}


@dataclass(frozen=True)
class Parameter:
    """One parameter of a notebook.

    Attributes
    ----------
    name : str
    types : tuple of type
        Types allowed, among str, int, float, bool and None.
    default : str, int, float, bool or None
    """

    name: str
    types: tuple[type, ...]
    default: Any

    @property
    def wanted(self) -> str:
        """The types in words, as an error message gives them."""
        return " or ".join("None" if kind is types.NoneType else kind.__name__ for kind in self.types)

    def check(self, value: Any) -> Any:
        """Give the value if its type is allowed; a path becomes the text of its absolute form.

        Raises
        ------
        ValueError
            Naming the parameter, what is allowed and what came.
        """
        if isinstance(value, os.PathLike):
            value = str(Path(value).expanduser().resolve())
        if isinstance(value, int) and not isinstance(value, bool) and int not in self.types:
            value = float(value) if float in self.types else value
        if type(value) not in self.types:
            raise ValueError(f"{self.name} must be of type {self.wanted}; got {value!r}.")
        return value


def notebook_parameters(name: str) -> dict[str, Parameter]:
    """Give the parameters of a shipped notebook, with their types and defaults.

    Parameters
    ----------
    name : str
        Name of the notebook without its ending, for example ``"one_child"``.

    Raises
    ------
    ValueError
        If there is no such notebook; the message lists those there are.

    Examples
    --------
    >>> notebook_parameters("one_child")["child"].types
    (<class 'str'>, <class 'NoneType'>)
    """
    return _parameters(_read(name), name)


def run_notebook(
    name: str,
    parameters: Mapping[str, Any] | None = None,
    *,
    timeout: float = 600,
    progress: Callable[[int, int], None] | None = None,
) -> nbformat.NotebookNode:
    """Run a shipped notebook and give it back executed.

    It runs in a fresh process of the Python that runs this program, whatever kernels are installed
    on the machine and whatever the user's own start-up files say, in the notebook's own folder.

    Parameters
    ----------
    name : str
        Name of the notebook without its ending, for example ``"one_child"``.
    parameters : mapping, optional
        Values for names of its ``parameters`` cell; the others keep their defaults. Give paths as
        `pathlib.Path`: they are made absolute.
    timeout : float
        Seconds that one cell may take.
    progress : callable, optional
        Called with the number of code cells done and their total, after each.

    Returns
    -------
    NotebookNode
        With outputs and, after the ``parameters`` cell, a cell tagged ``injected-parameters``.
        Nothing in it depends on the clock or on the kernel's version.

    Raises
    ------
    ValueError
        For a parameter the notebook lacks, or a value of the wrong type.
    RungwiseError
        If a cell failed, with its plain message. The error is of the class that was raised in the
        notebook where that is one of this library's own (`DataProblems`, `NotEnoughData`, ...).
    """
    with _without_address_grammars():
        import nbformat
    from nbclient.exceptions import CellExecutionError, CellTimeoutError, DeadKernelError

    notebook = _read(name)
    known = _parameters(notebook, name)
    given = dict(parameters or {})
    unknown = [key for key in given if key not in known]
    if unknown:
        raise ValueError(
            f"parameters of the notebook {name!r} must be among {', '.join(known)}; got {unknown[0]!r}."
        )
    given = {key: known[key].check(value) for key, value in given.items()}
    if given:
        lines = "\n".join(f"{key} = {value!r}" for key, value in given.items())
        at = _tagged(notebook, PARAMETERS)
        cell = nbformat.v4.new_code_cell(lines, id=INJECTED, metadata={"tags": [INJECTED]})
        notebook.cells.insert(at + 1, cell)

    with tempfile.TemporaryDirectory(prefix="rungwise-") as scratch:
        client = _client(notebook, scratch, timeout, progress)
        try:
            client.execute(env=_environment(scratch), cleanup_kc=True)
        except CellExecutionError as error:
            raise _plain(error.ename, error.evalue, name) from error
        except CellTimeoutError as error:
            raise RungwiseError(
                f"A step of the notebook {name!r} took longer than {timeout:g} seconds and was stopped."
            ) from error
        except DeadKernelError as error:
            raise RungwiseError(
                f"The Python process that ran the notebook {name!r} ended unexpectedly; "
                "the computer may have run out of memory."
            ) from error
    for cell in notebook.cells:
        cell.metadata.pop("execution", None)  # holds the clock times at which the cell ran
    notebook.metadata["language_info"] = {"name": "python"}  # without the version of this computer
    return notebook


@contextmanager
def _without_address_grammars() -> Iterator[None]:
    """Let nbformat's validator do without its grammars of web addresses.

    They take a second and more to build, and no format that they check occurs in a notebook. The
    validator takes them where they are installed and does without them where they are not.
    """
    grammars = "rfc3987_syntax"
    if grammars in sys.modules or "jsonschema" in sys.modules:
        yield
        return
    sys.modules[grammars] = None  # type: ignore[assignment]  # makes importing it fail
    try:
        yield
    finally:
        del sys.modules[grammars]


def _read(name: str) -> nbformat.NotebookNode:
    with _without_address_grammars():
        import nbformat

    folder = shipped("notebooks")
    names = sorted(path.stem for path in folder.glob("*.ipynb"))
    if name not in names:
        raise ValueError(f"name must be one of {', '.join(map(repr, names))}; got {name!r}.")
    return nbformat.read(folder / f"{name}.ipynb", as_version=4)


def _tagged(notebook: nbformat.NotebookNode, tag: str) -> int:
    for i, cell in enumerate(notebook.cells):
        if cell.cell_type == "code" and tag in cell.metadata.get("tags", []):
            return i
    raise ValueError(f"The notebook has no code cell tagged {tag!r}, so it takes no parameters.")


def _parameters(notebook: nbformat.NotebookNode, name: str) -> dict[str, Parameter]:
    """Read the assignments of the parameters cell without running it."""
    found = {}
    for line in ast.parse(notebook.cells[_tagged(notebook, PARAMETERS)].source).body:
        match line:
            case ast.Assign(targets=[ast.Name(id=key)], value=value):
                default = ast.literal_eval(value)
                allowed = tuple(dict.fromkeys([type(default)]))
            case ast.AnnAssign(target=ast.Name(id=key), annotation=annotation, value=ast.expr() as value):
                default = ast.literal_eval(value)
                try:
                    allowed = tuple(_PLAIN[kind.strip()] for kind in ast.unparse(annotation).split("|"))
                except KeyError:
                    raise ValueError(
                        f"{key} in the notebook {name!r} must be declared with "
                        f"{', '.join(_PLAIN)}; got {ast.unparse(annotation)}."
                    ) from None
            case _:
                raise ValueError(
                    f"The parameters cell of {name!r} must hold assignments of plain values only; "
                    f"got {ast.unparse(line)!r}."
                )
        found[key] = Parameter(key, allowed, default)
    return found


def _client(
    notebook: nbformat.NotebookNode,
    scratch: str,
    timeout: float,
    progress: Callable[[int, int], None] | None,
) -> Any:
    from jupyter_client.kernelspec import KernelSpec
    from jupyter_client.manager import AsyncKernelManager
    from nbclient import NotebookClient

    class ThisPython(AsyncKernelManager):
        """Starts the interpreter that runs this program, whatever kernels are installed."""

        @property
        def kernel_spec(self) -> KernelSpec:
            return KernelSpec(
                argv=[sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}"],
                display_name="Python 3",
                language="python",
            )

    total = sum(cell.cell_type == "code" for cell in notebook.cells)
    done = 0

    def count(**_: Any) -> None:
        nonlocal done
        done += 1
        if progress is not None:
            progress(done, total)

    manager = ThisPython(connection_file=str(Path(scratch) / "kernel.json"))
    return NotebookClient(
        notebook,
        km=manager,
        timeout=timeout,
        extra_arguments=["--log-level=ERROR", "--InteractiveShellApp.ignore_cwd=True"],
        resources={"metadata": {"path": str(shipped("notebooks"))}},
        record_timing=False,
        on_cell_executed=count,
    )


def _environment(scratch: str) -> dict[str, str]:
    """Give the kernel a profile of its own, without the user's start-up files, and steady hashes."""
    return {**os.environ, "IPYTHONDIR": scratch, "PYTHONHASHSEED": "0", "PYTHONSTARTUP": ""}


def _plain(kind: str, message: str, name: str) -> RungwiseError:
    families: list[type[RungwiseError]] = [RungwiseError]
    for family in families:
        families.extend(family.__subclasses__())
    own = next((family for family in families if family.__name__ == kind), None)
    if own is DataProblems:
        return DataProblems(message, ProblemReport())
    if own is not None:
        return own(message)
    number = re.match(r"\[Errno (\d+)\]", message)
    if number and int(number[1]) in NO_SPACE:
        return NotWritten("There is no room left on the disk to make the report; nothing was changed.")
    return RungwiseError(f"The notebook {name!r} could not be run to its end ({kind}: {message}).")
