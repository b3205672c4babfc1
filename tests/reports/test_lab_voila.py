"""The start page by itself, under Voila: no Start button, the demo answers, no other computer is asked."""

from __future__ import annotations

import re
import urllib.request

import pytest
from browser_lab import CHROMIUM, MILLISECONDS, served

pytest.importorskip("voila", reason="Voila, an optional extra, is not installed (pip install voila)")
playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytestmark = pytest.mark.skipif(
    CHROMIUM is None, reason="Debian's chromium is not installed (.ci/run installs it)"
)


def test_the_page_stands_by_itself_and_answers(tmp_path):
    with served(tmp_path, voila=True) as (_, address), playwright.sync_playwright() as driver:
        # Without the key there is the page that asks for it, and nothing else.
        with urllib.request.urlopen(address.split("?")[0]) as refused:
            assert "/login?" in refused.url
            assert "Use the demo" not in refused.read().decode("utf-8")
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_page()
        page.set_default_timeout(MILLISECONDS)
        asked: list[str] = []
        refused_by: dict[str, str] = {}
        page.on("request", lambda request: asked.append(request.url))
        page.on("requestfailed", lambda request: refused_by.update({request.url: request.failure}))
        page.goto(address)
        page.click("button:has-text('Use the demo')")
        page.wait_for_selector("text=an invented practice with invented children: 57 children.")
        page.get_by_label("Child", exact=True).select_option("C014")
        page.wait_for_selector("h1:has-text('C014: fear at the probe step')")
        assert not page.get_by_role("button", name="Start", exact=True).is_visible()
        assert page.locator("text=behind a key made for this session").is_visible()
        browser.close()
    assert len(asked) > 5
    elsewhere = [url for url in asked if not re.match(r"(http|ws)://127\.0\.0\.1:|data:|blob:", url)]
    # Voila's template names an icon font on a public host; the browser never asks for it.
    assert {refused_by.get(url) for url in elsewhere} <= {"csp"}
