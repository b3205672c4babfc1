"""The start page's server, run as a person runs it, for tests that drive it in a browser."""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from queue import Empty, Queue

import pytest

CHROMIUM = shutil.which("chromium")
MILLISECONDS = 40_000
_SERVE = """
import sys
from rungwise.reports.lab import open_lab

told = lambda text: print(text, flush=True)
open_lab(sys.argv[1], browser=False, port=0, voila=sys.argv[2] == "voila", say=told)
"""


@contextmanager
def served(folder: Path, *, voila: bool = False) -> Iterator[tuple[Path, str]]:
    """Run the server in a folder of its own; give its folder and its address."""
    own = {
        name: str(folder / name)
        for name in ("JUPYTER_DATA_DIR", "JUPYTER_CONFIG_DIR", "JUPYTER_RUNTIME_DIR")
    }
    process = subprocess.Popen(
        [sys.executable, "-c", _SERVE, str(folder / "work"), "voila" if voila else "lab"],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env={**os.environ, **own},
    )  # fmt: skip
    told: Queue[str] = Queue()
    reader = threading.Thread(target=lambda: [told.put(line) for line in process.stdout], daemon=True)
    reader.start()
    try:
        while not (found := re.search(r"http://\S+token=\w+", told.get(timeout=60))):
            pass
        _until_it_answers(found[0], process)
        yield folder / "work", found[0]
    except Empty:
        pytest.fail("the server never said where it is")
    finally:
        process.terminate()
        process.wait(timeout=20)
        reader.join(timeout=20)
        process.stdout.close()


def _until_it_answers(address: str, process: subprocess.Popen) -> None:
    """Wait until the port is open; a refused connection returns at once."""
    port, pause = int(re.search(r":(\d+)/", address)[1]), threading.Event()
    for _ in range(600):
        assert process.poll() is None, "the server ended before it answered"
        with socket.socket() as knock:
            if knock.connect_ex(("127.0.0.1", port)) == 0:
                return
        pause.wait(0.1)
    pytest.fail("the server did not answer")
