"""A page as PDF, printed by a web browser that is already on the machine."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from rungwise.basis.errors import RungwiseError, check_choice
from rungwise.figures.style import PALETTE

PAPERS = ("A4", "letter")
BROWSER_VARIABLE = "RUNGWISE_BROWSER"
_COMMANDS = (
    "chromium",
    "chromium-browser",
    "google-chrome",
    "google-chrome-stable",
    "chrome",
    "microsoft-edge",
    "microsoft-edge-stable",
    "msedge",
)
_PLACES = (
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "/Applications/Microsoft Edge.app/Contents/MacOS/Microsoft Edge",
    "/Applications/Chromium.app/Contents/MacOS/Chromium",
)
_WINDOWS_PLACES = (
    r"Google\Chrome\Application\chrome.exe",
    r"Microsoft\Edge\Application\msedge.exe",
    r"Chromium\Application\chrome.exe",
)
# How a page asks for its narrow pictures on paper (templates/rungwise_page/index.html.j2).
NARROW_ON_PAPER = 'media="(max-width: 40rem), print"'
# Sections that are closed on a screen (`rungwise.reports.html`) are open on paper.
CLOSED, OPEN = '<details class="section">', '<details class="section" open>'
HEADER_FONT = '8pt "Segoe UI", system-ui, Arial, sans-serif'
_FLAGS = (
    "--headless",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-extensions",
)


_HEADING_ID = re.compile(rb"\(node\d{8}\)")


def find_browser() -> str | None:
    """Give the command of a browser that can print: Chromium, Chrome or Edge; None if there is none.

    The environment variable ``RUNGWISE_BROWSER`` names another one.
    """
    named = os.environ.get(BROWSER_VARIABLE)
    if named:
        return shutil.which(named)
    for command in _COMMANDS:
        if found := shutil.which(command):
            return found
    places = list(_PLACES)
    for variable in ("PROGRAMFILES", "PROGRAMFILES(X86)", "LOCALAPPDATA"):
        if root := os.environ.get(variable):
            places += [os.path.join(root, place) for place in _WINDOWS_PLACES]
    return next((place for place in places if os.access(place, os.X_OK)), None)


def check_browser() -> str:
    """Give the command of a browser that can print.

    Raises
    ------
    RungwiseError
        If there is none; the message says what to do instead.
    """
    browser = find_browser()
    if browser is None:
        named = os.environ.get(BROWSER_VARIABLE)
        reason = (
            f"{BROWSER_VARIABLE} names {named!r}, which cannot be run"
            if named
            else "no Chromium, Chrome or Edge was found on this computer"
        )
        raise RungwiseError(
            f"The PDF cannot be made because {reason}; open the HTML page in any browser and print it, "
            "or install one of these."
        )
    return browser


def page_to_pdf(page: str, *, paper: str = "A4", header: str = "", timeout: float = 120) -> bytes:
    """Print a page made by `render_page`, which numbers its pages.

    The browser runs unseen, with a profile of its own that is thrown away, and opens nothing but the
    page. It writes the time of printing into the file, so two runs differ in those bytes.

    Parameters
    ----------
    page : str
        HTML.
    paper : {"A4", "letter"}
    header : str
        Running header: a line at the top of every page.
    timeout : float
        Seconds the browser may take.

    Returns
    -------
    bytes

    Raises
    ------
    ValueError
        For another paper.
    RungwiseError
        If there is no browser that can print, or it failed; the message says what to do instead.
    """
    check_choice("paper", paper, PAPERS)
    browser = check_browser()
    sized = page.replace("</head>", f"<style>{_page_rules(paper, header)}</style>\n</head>", 1)
    # The browser chooses pictures before it knows that it will print; their rule for paper is made one
    # for everything.
    sized = sized.replace(NARROW_ON_PAPER, 'media="all"')
    sized = sized.replace(CLOSED, OPEN)
    # Some browsers are packed so that they see only the user's own folders, not the system's
    # temporary one; the home folder is tried second.
    for place in (None, Path.home()):
        try:
            with tempfile.TemporaryDirectory(
                prefix="rungwise-", dir=place, ignore_cleanup_errors=True
            ) as folder:
                if made := _print(browser, sized, Path(folder), timeout):
                    return steady_ids(made)
        except OSError:
            continue
    raise RungwiseError(
        f"The browser {browser} did not print the page; open the HTML page in any browser and print it."
    )


def steady_ids(pdf: bytes) -> bytes:
    """Number the names that table headings have in a PDF from 1.

    The browser numbers them by when it happened to read what, so that two runs could differ.

    Examples
    --------
    >>> steady_ids(b"/ID (node00000037) /Headers [(node00000037) (node00000112)]")
    b'/ID (node00000001) /Headers [(node00000001) (node00000002)]'
    """
    names = sorted(set(_HEADING_ID.findall(pdf)))
    # In their old order and as long as before: the file's index lists them sorted, and counts bytes.
    steady = {name: b"(node%08d)" % number for number, name in enumerate(names, start=1)}
    return _HEADING_ID.sub(lambda found: steady[found.group()], pdf)


def _page_rules(paper: str, header: str) -> str:
    """Give the rules of the printed page: its size, and the running header."""
    if not header:
        return f"@page {{ size: {paper}; }}"
    # As escapes of the style sheet, which end in a space, so that no text can end the string, the rule
    # or the element.
    text = "".join(c if c.isalnum() or c in " :,.-" else f"\\{ord(c):x} " for c in header)
    line = f'content: "{text}"; font: {HEADER_FONT}; color: {PALETTE["soft"]}; white-space: nowrap;'
    return f"@page {{ size: {paper}; @top-left {{ {line} }} }}"


def browser_command(browser: str, profile: Path) -> list[str]:
    """Give the command that runs a browser unseen, offline and with a profile of its own."""
    sandbox = ["--no-sandbox"] if sys.platform != "win32" and os.geteuid() == 0 else []
    return [browser, *_FLAGS, *sandbox, f"--user-data-dir={profile}"]


def _print(browser: str, page: str, folder: Path, timeout: float) -> bytes | None:
    source, target = folder / "page.html", folder / "page.pdf"
    source.write_text(page, encoding="utf-8")
    command = [
        *browser_command(browser, folder / "profile"),
        "--no-pdf-header-footer",
        f"--print-to-pdf={target}",
        source.as_uri(),
    ]
    try:
        subprocess.run(
            command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, timeout=timeout, check=False
        )
    except subprocess.TimeoutExpired:
        return None
    return target.read_bytes() if target.exists() and target.stat().st_size else None
