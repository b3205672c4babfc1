"""Tasks for other processes, which cannot import a test."""

import os
import signal
import time
from pathlib import Path

from rungwise.series.engine import whole_file


def write(task):
    path, text = task
    with whole_file(path) as draft:
        draft.write_text(text, encoding="utf-8")


def die_once(task):
    """Write, but kill the process at the first attempt."""
    path, marker = task
    if marker and not marker.exists():
        marker.write_text("was here", encoding="utf-8")
        os.kill(os.getpid(), signal.SIGKILL)
    time.sleep(0.05)
    write((path, path.name))


def die(task):
    os.kill(os.getpid(), signal.SIGKILL)


def refuse(task):
    raise ValueError(f"no {task[1]}")


def count_runs(task):
    path, log = task
    with Path(log).open("a", encoding="utf-8") as counted:
        counted.write(f"{path.name} {os.getpid()}\n")
    time.sleep(0.3)
    write((path, path.name))
