"""Open the start page in JupyterLab or Voila, on this computer and for this computer only."""

from __future__ import annotations

import json
import os
import secrets
import shutil
import socket
from collections.abc import Callable
from pathlib import Path

from rungwise.basis.errors import RungwiseError, check_choice
from rungwise.reports.catalog import LANGUAGES
from rungwise.resources import shipped

NOTEBOOK = "start_here.ipynb"
_LOOPBACK = "127.0.0.1"
_OWN = ".rungwise"
SETTINGS = Path(__file__).resolve().parent / "templates" / "lab_settings"
UPLOAD_MB = 200
# What the start page is told through its environment (`rungwise.reports.start_page`); that it is told
# anything says that the server was started here, for this computer only.
UPLOAD_VARIABLE, LANGUAGE_VARIABLE = "RUNGWISE_UPLOAD_MB", "RUNGWISE_LANG"
_ABOUT = """\
Opening the start page in your browser. It answers only this computer (127.0.0.1), behind a key made
for this session, and sends nothing anywhere. Your folder: {folder}
If no browser opens, copy this address into one: {address}
Close it with Ctrl+C in this window.
"""


def open_lab(
    folder: str | Path | None = None,
    *,
    browser: bool = True,
    port: int = 8888,
    lang: str = "en",
    voila: bool = False,
    say: Callable[[str], None] | None = None,
) -> int:
    """Open JupyterLab, or Voila, on the start page and stay until it is closed.

    The server is bound to the loopback address with a key of its own, whatever the user's Jupyter
    settings say; the news, the look for new versions and the list of extensions, which would ask other
    computers, are off.

    Parameters
    ----------
    folder : str or Path, optional
        Working folder, made if it is not there: the start page is copied into it and reports are saved
        below it. Default ``rungwise`` in the home folder.
    browser : bool
        Whether to open the page in a browser; otherwise its address is printed.
    port : int
        Tried first; the next free one is taken otherwise.
    lang : str
        Language the start page opens in.
    voila : bool
        Show the page by itself with Voila, an optional extra, instead of within JupyterLab.
    say : callable, optional
        Told, before the server starts, where everything is.

    Returns
    -------
    int
        0 when it was closed in the usual way.

    Raises
    ------
    RungwiseError
        If the folder cannot be used, or JupyterLab or Voila is not installed.
    ValueError
        For an unknown language.
    """
    check_choice("lang", lang, LANGUAGES)
    place = prepare_folder(folder)
    try:
        if voila:
            from voila.app import Voila as App
        else:
            from jupyterlab.labapp import LabApp as App
    except ImportError:
        name, package = ("Voila", "voila") if voila else ("JupyterLab", "jupyterlab")
        raise RungwiseError(f"{name} is not installed; install it with: pip install {package}.") from None
    os.environ[UPLOAD_VARIABLE] = str(UPLOAD_MB)
    os.environ[LANGUAGE_VARIABLE] = lang
    token, port = secrets.token_hex(24), _free_port(port)
    if say is not None:
        page = "" if voila else f"lab/tree/{NOTEBOOK}"
        say(_ABOUT.format(folder=place, address=f"http://{_LOOPBACK}:{port}/{page}?token={token}"))
    arguments = voila_arguments if voila else server_arguments
    App.launch_instance(argv=arguments(place, token, port=port, browser=browser))
    return 0


def prepare_folder(folder: str | Path | None = None) -> Path:
    """Put the start page into a working folder and give the folder.

    A start page that was changed there is kept under another name, never replaced.
    """
    place = (Path.home() / "rungwise" if folder is None else Path(folder).expanduser()).resolve()
    source = shipped("notebooks") / NOTEBOOK
    target = place / NOTEBOOK
    try:
        place.mkdir(parents=True, exist_ok=True)
        if target.exists() and _cells(target) != _cells(source):
            target.rename(_free(place))
        if not target.exists():
            _copy(source, target)
        # JupyterLab's own settings start from these and are kept with the folder. In them a single key
        # changes a cell only while the cell itself is chosen, so that lists and buttons of the page
        # answer the keyboard.
        if not (place / _OWN).exists():
            shutil.copytree(SETTINGS / "user", place / _OWN / "settings")
    except OSError as error:
        raise RungwiseError(
            f"{place} cannot be used as the working folder ({(error.strerror or str(error)).lower()}); "
            "name another one."
        ) from None
    return place


def server_arguments(folder: Path, token: str, *, port: int, browser: bool = True) -> list[str]:
    """Give JupyterLab's arguments; they stand above whatever its own settings files say."""
    # JupyterLab refuses to run as the system's administrator, which is the only user in some containers.
    root = [] if os.name == "nt" or os.geteuid() else ["--ServerApp.allow_root=True"]
    websocket = json.dumps({"websocket_max_message_size": UPLOAD_MB * 1024 * 1024})
    return [
        f"--ServerApp.ip={_LOOPBACK}",
        f"--ServerApp.port={port}",
        "--ServerApp.log_level=ERROR",
        "--ServerApp.allow_remote_access=False",
        "--ServerApp.allow_origin=",
        "--ServerApp.allow_origin_pat=",
        "--ServerApp.disable_check_xsrf=False",
        f"--IdentityProvider.token={token}",
        "--PasswordIdentityProvider.hashed_password=",
        f"--ServerApp.root_dir={folder}",
        f"--ServerApp.open_browser={browser}",
        f"--ServerApp.tornado_settings={websocket}",
        f"--LabApp.default_url=/lab/tree/{NOTEBOOK}",
        f"--LabApp.app_settings_dir={SETTINGS}",
        f"--LabApp.user_settings_dir={folder / _OWN / 'settings'}",
        f"--LabApp.workspaces_dir={folder / _OWN / 'workspaces'}",
        "--LabApp.extension_manager=readonly",
        "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
        "--LabApp.news_url=None",
        *root,
    ]


def voila_arguments(folder: Path, token: str, *, port: int, browser: bool = True) -> list[str]:
    """Give Voila's arguments: this computer only, behind a key, asking no other computer.

    Voila's own template would fetch an icon font from a public host; the page is not allowed to.
    """
    own = {"Content-Security-Policy": "default-src 'self' 'unsafe-inline' 'unsafe-eval' data: blob:"}
    settings = {"websocket_max_message_size": UPLOAD_MB * 1024 * 1024, "headers": own}
    return [
        str(folder / NOTEBOOK),
        f"--Voila.ip={_LOOPBACK}",
        f"--Voila.port={port}",
        f"--Voila.token={token}",
        f"--Voila.open_browser={browser}",
        "--Voila.log_level=ERROR",
        f"--Voila.tornado_settings={json.dumps(settings)}",
    ]


def _cells(notebook: Path) -> list[str] | None:
    """Give what is written in the cells, None for a file that is no notebook."""
    try:
        cells = json.loads(notebook.read_text(encoding="utf-8"))["cells"]
        return ["".join(cell["source"]) for cell in cells]
    except (ValueError, KeyError, TypeError):
        return None


def _copy(source: Path, target: Path) -> None:
    """Copy the start page without what it showed where it was made."""
    import nbformat
    from nbformat.sign import NotebookNotary

    notebook = nbformat.read(source, as_version=4)
    for cell in notebook.cells:
        if cell.cell_type == "code":
            cell.outputs, cell.execution_count = [], None
    nbformat.write(notebook, target)
    # Its Start button runs it; JupyterLab asks about that in notebooks the user has not signed.
    NotebookNotary().sign(nbformat.read(target, as_version=4))


def _free_port(wanted: int) -> int:
    """Give the port asked for, or a free one where another program has it."""
    for port in (wanted, 0):
        with socket.socket() as taken:
            try:
                taken.bind((_LOOPBACK, port))
            except OSError:
                continue
            return int(taken.getsockname()[1])
    return wanted


def _free(folder: Path) -> Path:
    number = 1
    while (kept := folder / f"start_here_kept_{number}.ipynb").exists():
        number += 1
    return kept
