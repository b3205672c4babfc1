"""A report is there whole or not at all, and nothing is replaced unasked."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest
from rungwise.reports import write
from rungwise.reports.write import CONTENTS, NotWritten, check_free, whole_folder


def leftovers(folder: Path) -> list[str]:
    return sorted(entry.name for entry in folder.iterdir() if entry.name.startswith("."))


def old_report(target: Path, text: str = "old") -> None:
    with whole_folder(target) as folder:
        (folder / "page.html").write_text(text)


def test_a_folder_lists_its_contents_with_hashes(tmp_path):
    with whole_folder(tmp_path / "audit") as folder:
        (folder / "tables").mkdir()
        (folder / "tables" / "flow.csv").write_text("n\n60\n")
        (folder / "page.html").write_text("<p>")
    listing = json.loads((tmp_path / "audit" / CONTENTS).read_text())
    assert listing["files"] == {
        "page.html": hashlib.sha256(b"<p>").hexdigest(),
        "tables/flow.csv": hashlib.sha256(b"n\n60\n").hexdigest(),
    }
    assert listing["made_by"].startswith("rungwise ")


def test_a_folder_is_not_there_while_it_is_filled_nor_after_a_failure(tmp_path):
    target = tmp_path / "audit"

    def fail_half_way(folder):
        (folder / "page.html").write_text("half")
        assert not target.exists()
        raise KeyError("broken on purpose")

    with pytest.raises(KeyError), whole_folder(target) as folder:
        fail_half_way(folder)
    assert list(tmp_path.iterdir()) == []


def test_a_failure_leaves_the_earlier_report_whole(tmp_path):
    target = tmp_path / "audit"
    old_report(target)
    with pytest.raises(KeyError), whole_folder(target, overwrite=True):
        raise KeyError("broken on purpose")
    assert (target / "page.html").read_text() == "old"
    assert leftovers(tmp_path) == []


def test_an_earlier_report_is_replaced_only_when_told(tmp_path):
    target = tmp_path / "audit"
    old_report(target)
    with pytest.raises(NotWritten, match=r"earlier report; .*--overwrite"), whole_folder(target):
        pytest.fail("the work must not begin")
    with whole_folder(target, overwrite=True) as folder:
        (folder / "other.html").write_text("new")
    assert sorted(entry.name for entry in target.iterdir()) == [CONTENTS, "other.html"]
    assert leftovers(tmp_path) == []


def test_an_empty_folder_may_be_filled(tmp_path):
    (tmp_path / "audit").mkdir()
    old_report(tmp_path / "audit")
    assert (tmp_path / "audit" / "page.html").read_text() == "old"


def test_a_folder_of_other_things_is_never_replaced(tmp_path):
    target = tmp_path / "documents"
    target.mkdir()
    (target / "letter.docx").write_text("dear")
    with pytest.raises(NotWritten, match="not an earlier report"):
        check_free(target, overwrite=True)


def test_a_report_folder_with_files_added_by_hand_is_never_replaced(tmp_path):
    target = tmp_path / "audit"
    old_report(target)
    (target / "my notes.txt").write_text("keep me")
    with pytest.raises(NotWritten, match=r"did not \(my notes\.txt\); move them away"):
        check_free(target, overwrite=True)


def test_a_folder_with_an_unreadable_list_is_never_replaced(tmp_path):
    target = tmp_path / "audit"
    old_report(target)
    (target / CONTENTS).write_text("{")
    with pytest.raises(NotWritten, match="cannot be read"):
        check_free(target, overwrite=True)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="only Linux swaps in one step")
def test_the_earlier_folder_is_swapped_in_one_step(tmp_path, monkeypatch):
    target = tmp_path / "audit"
    old_report(target)
    genuine = Path.rename
    moved = []
    monkeypatch.setattr(Path, "rename", lambda self, to: moved.append(self.name) or genuine(self, to))
    with whole_folder(target, overwrite=True) as folder:
        (folder / "page.html").write_text("new")
    assert (target / "page.html").read_text() == "new"
    assert moved == []


def test_without_the_one_step_swap_the_folder_is_replaced_in_two(tmp_path, monkeypatch):
    monkeypatch.setattr(write, "_exchange", lambda one, other: False)
    target = tmp_path / "audit"
    old_report(target)
    with whole_folder(target, overwrite=True) as folder:
        (folder / "page.html").write_text("new")
    assert (target / "page.html").read_text() == "new"
    assert leftovers(tmp_path) == []


def test_a_kill_between_the_two_steps_is_put_right_by_the_next_run(tmp_path):
    target = tmp_path / "audit"
    old_report(target)
    target.rename(tmp_path / ".audit.0123abcd.previous")
    with pytest.raises(NotWritten, match="earlier report"):
        check_free(target)
    assert (target / "page.html").read_text() == "old"


def test_what_a_killed_run_left_is_swept_after_a_day_and_not_before(tmp_path):
    fresh, stale = tmp_path / ".audit.00000000.partial", tmp_path / ".audit.11111111.partial"
    for left in (fresh, stale):
        left.mkdir()
    long_ago = time.time() - 2 * 24 * 3600
    os.utime(stale, (long_ago, long_ago))
    old_report(tmp_path / "audit")
    assert leftovers(tmp_path) == [fresh.name]


def test_errors_about_other_files_pass_unchanged(tmp_path):
    with pytest.raises(PermissionError), whole_folder(tmp_path / "audit"):
        raise PermissionError(errno.EACCES, "Permission denied", str(tmp_path / "ratings.csv"))


REPLACER = """
    import sys
    from pathlib import Path
    from rungwise.reports.write import whole_folder

    print("ready", flush=True)
    round = 0
    while True:
        round += 1
        with whole_folder(sys.argv[1], overwrite=True) as folder:
            for name in ("a", "b", "c"):
                (folder / f"{name}.txt").write_text(f"{round} " * 2000)
"""


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs a signal that cannot be caught")
def test_killed_at_any_moment_the_last_report_is_whole(tmp_path):
    target = tmp_path / "audit"
    moments = [0.002, 0.009, 0.017, 0.026, 0.033, 0.041]
    for moment in moments:
        writer = subprocess.Popen(
            [sys.executable, "-c", textwrap.dedent(REPLACER), str(target)], stdout=subprocess.PIPE
        )
        writer.stdout.readline()
        deadline = time.time() + 20
        while not target.exists() and time.time() < deadline:
            time.sleep(0.001)
        time.sleep(moment)
        writer.send_signal(signal.SIGKILL)
        writer.wait()
        writer.stdout.close()
        listing = json.loads((target / CONTENTS).read_text())
        assert sorted(listing["files"]) == ["a.txt", "b.txt", "c.txt"]
        for name, digest in listing["files"].items():
            assert hashlib.sha256((target / name).read_bytes()).hexdigest() == digest
        assert len({(target / name).read_bytes() for name in listing["files"]}) == 1


def test_a_place_that_may_not_be_written_to_is_refused_before_the_work_begins(tmp_path, monkeypatch):
    asked = []
    monkeypatch.setattr(write.os, "access", lambda folder, mode: asked.append((folder, mode)))
    with pytest.raises(NotWritten, match="audit may not be written"):
        check_free(tmp_path / "new" / "audit")
    assert asked == [(tmp_path, os.W_OK | os.X_OK)]
