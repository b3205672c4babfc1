"""A full disk and missing rights, for real: one clear sentence, and nothing half-written."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
DEMO = ROOT / "data_demo"
WRITING = {
    "workbook": ["workbook", "{to}/book.xlsx", "--level", "3"],
    "list": ["check", DEMO / "messy", "--csv", "{to}/problems.csv"],
    "marked copy": ["check", DEMO / "messy", "--mark", "{to}/marked.xlsx"],
    "dictionary": ["describe", "{to}/dictionary.html"],
    "sheet": ["sheet", DEMO / "practice", "C014", "--to", "{to}/sheets"],
    "child": ["child", DEMO / "one_child.csv", "--report", "--to", "{to}/child"],
    "audit": ["audit", DEMO / "one_child.csv", "--quarter", "2026Q3", "--to", "{to}/audit"],
}
linux = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="asks the system of Linux")
# Root may read and write everywhere, so it gives up exactly that before the command begins.
GIVE_UP = """
import ctypes, os, sys
DROP_FROM_BOUND, OVERRIDE, READ_SEARCH = 24, 1, 2
if os.geteuid() == 0:
    for right in (OVERRIDE, READ_SEARCH):
        if ctypes.CDLL(None).prctl(DROP_FROM_BOUND, right, 0, 0, 0):
            sys.exit("the rights of root could not be given up")
os.execv(sys.executable, [sys.executable, "-m", "rungwise.command", *sys.argv[1:]])
"""
# No file may grow beyond a size: the system then refuses in the middle of a write, as a full disk does.
LITTLE_ROOM = """
import os, resource, sys
resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))
os.execv(sys.executable, [sys.executable, "-m", "rungwise.command", *sys.argv[1:]])
"""
# A disk of 64 kB, nearly full, that is gone with the command.
FULL_DISK = """
mount -t tmpfs -o size=64k none "$0" && head -c 60000 /dev/zero > "$0/fill" || exit 99
"$@"; code=$?; echo "left: $(ls -A "$0" | tr '\\n' ' ')"; exit $code
"""


def run(begin, arguments, to):
    filled = [str(part).format(to=to) for part in arguments]
    return subprocess.run(
        [sys.executable, "-c", begin, *filled], capture_output=True, text=True, check=False, cwd=ROOT
    )


def the_sentence(done, code=2):
    """Give the one sentence said; progress of an audit ends in a line of its own."""
    assert done.returncode == code, done.stderr + done.stdout
    (sentence,) = (line for line in done.stderr.splitlines() if " parts" not in line)
    assert sentence.endswith(".")
    assert "Errno" not in sentence
    return sentence


def mounts():
    """Say whether a disk of one's own can be made here."""
    if not sys.platform.startswith("linux") or shutil.which("unshare") is None:
        return False
    command = ["unshare", "-m", "sh", "-c", "mount -t tmpfs none /mnt"]
    return subprocess.run(command, capture_output=True, check=False).returncode == 0


@linux
@pytest.mark.parametrize("what", [what for what in WRITING if what != "child"])
def test_a_write_that_is_cut_short_leaves_nothing(tmp_path, what):
    done = run(LITTLE_ROOM, WRITING[what], tmp_path)
    assert the_sentence(done).startswith("There is no room left on the disk ")
    assert "Written" not in done.stdout
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(not mounts(), reason="no disk of one's own can be made here")
@pytest.mark.parametrize("what", ["workbook", "list", "marked copy", "child"])
def test_a_full_disk_is_left_as_it_was(tmp_path, what):
    filled = [str(part).format(to=tmp_path) for part in WRITING[what]]
    command = [sys.executable, "-m", "rungwise.command", *filled]
    done = subprocess.run(
        ["unshare", "-m", "sh", "-c", FULL_DISK, str(tmp_path), *command],
        capture_output=True, text=True, check=False, cwd=ROOT,
    )  # fmt: skip
    assert the_sentence(done).startswith("There is no room left on the disk ")
    assert done.stdout.splitlines()[-1] == "left: fill "


@pytest.fixture
def closed(tmp_path):
    """A folder of one's own from which every right can be taken."""
    folder = tmp_path / "closed"
    shutil.copytree(DEMO / "practice_level_1", folder)
    yield folder
    folder.chmod(0o700)


@linux
@pytest.mark.parametrize("what", WRITING)
def test_a_folder_that_may_not_be_written_to(closed, what):
    before = sorted(closed.iterdir())
    closed.chmod(0o500)
    sentence = the_sentence(run(GIVE_UP, WRITING[what], closed))
    assert (
        "may not be written (no permission, or open in another program); choose another place." in sentence
    )
    assert sorted(closed.iterdir()) == before


@linux
@pytest.mark.parametrize("mode", [0o000, 0o300])
@pytest.mark.parametrize(
    "arguments",
    [
        ["check", "{to}"],
        ["child", "{to}", "C014"],
        ["sheet", "{to}", "C014"],
    ],
    ids=lambda arguments: arguments[0],
)
def test_a_folder_that_may_not_be_read(closed, arguments, mode):
    closed.chmod(mode)
    done = run(GIVE_UP, arguments, closed)
    assert done.returncode == 3
    said = done.stdout if arguments[0] == "check" else done.stderr
    assert "This may not be read: permission denied. Ask whoever manages the computer" in said
    assert "Traceback" not in done.stderr


@linux
def test_a_file_that_may_not_be_read_costs_only_itself(closed):
    (closed / "children.csv").chmod(0)
    done = run(GIVE_UP, ["check", "{to}"], closed)
    assert done.returncode == 3
    assert "children.csv\n  This may not be read: permission denied." in done.stdout
    answer = run(GIVE_UP, ["child", "{to}", "C014"], closed)
    assert answer.returncode == 0, answer.stderr
    assert os.access(closed, os.R_OK)
