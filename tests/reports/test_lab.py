"""The server answers this computer only, and a working folder is never overwritten."""

from __future__ import annotations

import json
import socket
import sys

import nbformat
import pytest
from rungwise.basis.errors import RungwiseError
from rungwise.reports import lab


@pytest.fixture(autouse=True)
def _own_signatures(tmp_path, monkeypatch):
    monkeypatch.setenv("JUPYTER_DATA_DIR", str(tmp_path / "jupyter"))


def options(arguments):
    return dict(argument.removeprefix("--").split("=", 1) for argument in arguments)


def test_the_server_is_bound_to_this_computer_behind_a_key(tmp_path):
    given = options(lab.server_arguments(tmp_path, "k3y", port=8888))
    assert given["ServerApp.ip"] == "127.0.0.1"
    assert given["IdentityProvider.token"] == "k3y"
    assert given["ServerApp.allow_remote_access"] == "False"
    assert given["ServerApp.disable_check_xsrf"] == "False"
    assert given["ServerApp.allow_origin"] == ""


def test_nothing_asks_another_computer(tmp_path):
    given = options(lab.server_arguments(tmp_path, "k", port=8888))
    assert given["LabApp.extension_manager"] == "readonly"
    assert given["LabApp.news_url"] == "None"
    overrides = json.loads((lab.SETTINGS / "overrides.json").read_text(encoding="utf-8"))
    assert overrides["@jupyterlab/apputils-extension:notification"] == {
        "fetchNews": "false",
        "checkForUpdates": False,
    }


def test_uploads_may_be_larger_than_jupyter_allows_by_itself(tmp_path):
    given = options(lab.server_arguments(tmp_path, "k", port=8888))
    limit = json.loads(given["ServerApp.tornado_settings"])["websocket_max_message_size"]
    assert limit == lab.UPLOAD_MB * 1024 * 1024 > 10 * 1024 * 1024


def test_voila_too_answers_this_computer_only_and_may_ask_no_other(tmp_path):
    file, *rest = lab.voila_arguments(tmp_path, "k3y", port=8888, browser=False)
    assert file == str(tmp_path / lab.NOTEBOOK)
    given = options(rest)
    assert (given["Voila.ip"], given["Voila.token"]) == ("127.0.0.1", "k3y")
    settings = json.loads(given["Voila.tornado_settings"])
    assert settings["websocket_max_message_size"] == lab.UPLOAD_MB * 1024 * 1024
    policy = settings["headers"]["Content-Security-Policy"]
    assert policy.startswith("default-src 'self'")
    assert "http" not in policy


def test_without_voila_it_is_said_how_to_get_it(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "voila.app", None)
    with pytest.raises(RungwiseError, match="Voila is not installed; install it with: pip install voila"):
        lab.open_lab(tmp_path / "work", voila=True)


def test_the_start_page_is_copied_without_what_it_showed_elsewhere(tmp_path, monkeypatch):
    made = nbformat.read(lab.shipped("notebooks") / lab.NOTEBOOK, as_version=4)
    for cell in made.cells:
        if cell.cell_type == "code":
            cell.outputs = [nbformat.v4.new_output("stream", text="C014 came down")]
    nbformat.write(made, tmp_path / lab.NOTEBOOK)
    monkeypatch.setattr(lab, "shipped", lambda kind: tmp_path)
    place = lab.prepare_folder(tmp_path / "work")
    cells = nbformat.read(place / lab.NOTEBOOK, as_version=4).cells
    assert [cell.outputs for cell in cells if cell.cell_type == "code"] == [[], []]
    code = [cell for cell in cells if cell.cell_type == "code"]
    assert all(cell.metadata["jupyter"]["source_hidden"] for cell in code)
    # JupyterLab shows the first line of a hidden cell: it is a word about the cell, not code.
    assert all(cell.source.startswith("# ") for cell in code)


def test_a_changed_start_page_is_kept_under_another_name(tmp_path):
    place = lab.prepare_folder(tmp_path)
    page = place / lab.NOTEBOOK
    before = page.read_bytes()
    assert lab.prepare_folder(tmp_path) == place
    assert page.read_bytes() == before
    page.write_text(
        before.decode("utf-8").replace("start_page(folder", "start_page('mine'"), encoding="utf-8"
    )
    lab.prepare_folder(tmp_path)
    assert "start_page('mine'" in (place / "start_here_kept_1.ipynb").read_text(encoding="utf-8")
    assert page.read_bytes() == before
    page.write_text("no notebook")
    lab.prepare_folder(tmp_path)
    assert (place / "start_here_kept_2.ipynb").read_text() == "no notebook"


def test_a_folder_that_cannot_be_used_is_named(tmp_path):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(RungwiseError, match=r"file cannot be used as the working folder \(file exists\)"):
        lab.prepare_folder(tmp_path / "file")


def test_the_next_free_port_is_taken_where_another_program_has_it():
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        busy = taken.getsockname()[1]
        assert lab._free_port(busy) not in (busy, 0)


def test_an_unknown_language_is_refused_before_anything_is_made(tmp_path):
    with pytest.raises(ValueError, match="lang must be one of"):
        lab.open_lab(tmp_path / "work", lang="fr")
    assert not (tmp_path / "work").exists()
