"""Both editions of the audit for people who hear the page, use a keyboard, a phone or paper."""

from __future__ import annotations

import re
from itertools import pairwise

import pytest
from rungwise.figures.style import PALETTE
from rungwise.reports.html import style_sheet
from rungwise.reports.pdf import find_browser

EDITIONS = {"practice": "audit.html", "sharing": "shared_audit.html"}
PHONE = 390
# Contrast of small text against its ground that WCAG 2.2, success criterion 1.4.3, level AA asks for.
CONTRAST = 4.5


@pytest.fixture(scope="module")
def files(demo_audits):
    folders = {"practice": "practice", "sharing": "2026Q3"}
    return {edition: demo_audits / folders[edition] / name for edition, name in EDITIONS.items()}


@pytest.fixture(scope="module")
def browser():
    playwright = pytest.importorskip("playwright.sync_api")
    if find_browser() is None:
        pytest.skip("no browser is installed")
    with playwright.sync_playwright() as started:
        opened = started.chromium.launch(executable_path=find_browser(), args=["--no-sandbox"])
        yield opened
        opened.close()


@pytest.mark.parametrize("edition", EDITIONS)
def test_the_outline_pictures_and_tables_can_be_heard(files, edition, read_page):
    page = read_page(files[edition].read_text(encoding="utf-8"))
    assert page.all("html")[0].attributes["lang"] == "en"
    assert page.all("title")[0].text.strip()
    levels = [int(one.tag[1]) for one in page.elements if re.fullmatch(r"h[1-6]", one.tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels)), levels
    assert all(one.text.strip() for one in page.elements if re.fullmatch(r"h[1-6]", one.tag))
    pictures = page.all("img")
    assert pictures
    for picture in pictures:
        assert len(picture.attributes["alt"].split()) >= 5, picture.attributes["alt"]
    tables, captions = page.all("table"), page.all("caption")
    assert len(tables) == len(captions) > 3
    assert all(caption.text.strip() for caption in captions)
    for head in page.all("th"):
        over = "colgroup" if "colspan" in head.attributes else "col"
        assert head.attributes["scope"] == (over if "thead" in head.inside else "row")
    rows = [one for one in page.all("tr") if "tbody" in one.inside]
    assert len([one for one in page.all("th") if "tbody" in one.inside]) == len(rows)
    regions = [one for one in page.elements if one.attributes.get("role") == "region"]
    assert len(regions) == len(tables)
    assert all(one.attributes["aria-label"] and one.attributes["tabindex"] == "0" for one in regions)


@pytest.mark.parametrize("edition", EDITIONS)
def test_nothing_outside_the_file_is_needed(files, edition):
    html = files[edition].read_text(encoding="utf-8")
    assert not re.search(r"""(?:src|srcset|href)\s*=\s*["'](?!data:image/|#)""", html)
    assert not re.search(r"@import|url\(|<script|<link|<iframe|<object", html)
    assert not re.search(r"https?://", html)


COLORS = """() => {
  const clear = 'rgba(0, 0, 0, 0)';
  const found = new Map();
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const element = walker.currentNode.parentElement;
    if (!walker.currentNode.textContent.trim()) continue;
    const style = getComputedStyle(element);
    if (style.visibility === 'hidden' || style.display === 'none') continue;
    let ground = element;
    while (ground && getComputedStyle(ground).backgroundColor === clear) ground = ground.parentElement;
    const on = ground ? getComputedStyle(ground).backgroundColor : 'rgb(255, 255, 255)';
    found.set(style.color + ' on ' + on, element.tagName + '.' + element.className);
  }
  for (const element of document.querySelectorAll('[data-label]')) {
    const style = getComputedStyle(element, '::before');
    if (style.content !== 'none') found.set(style.color + ' on rgb(255, 255, 255)', 'label');
  }
  return [...found];
}"""


def luminance(color):
    """Relative luminance as WCAG 2.2 defines it."""
    parts = [int(part) / 255 for part in re.findall(r"\d+", color)[:3]]
    r, g, b = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(one, other):
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_contrast_formula_gives_the_known_ends():
    assert contrast("rgb(0, 0, 0)", "rgb(255, 255, 255)") == pytest.approx(21)
    assert contrast("rgb(9, 9, 9)", "rgb(9, 9, 9)") == 1
    # The lightest gray on white that passes, as commonly given: #767676, 4.54.
    assert contrast("rgb(118, 118, 118)", "rgb(255, 255, 255)") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("edition", EDITIONS)
@pytest.mark.parametrize("media", ["screen", "print"])
@pytest.mark.parametrize("width", [PHONE, 1100])
def test_every_text_stands_out_from_its_ground(browser, files, edition, media, width):
    page = browser.new_page(viewport={"width": width, "height": 900})
    page.emulate_media(media=media)
    page.goto(files[edition].as_uri())
    pairs = page.evaluate(COLORS)
    page.close()
    assert len(pairs) >= 2
    for pair, where in pairs:
        assert contrast(*pair.split(" on ")) >= CONTRAST, (pair, where)


def test_the_running_header_and_the_page_number_stand_out_on_paper():
    (number,) = re.findall(r"@bottom-right \{[^}]*color: (#[0-9a-f]{6})", style_sheet(compact=True))
    for color in (number, PALETTE["soft"]):
        written = f"rgb({', '.join(str(int(color[i : i + 2], 16)) for i in (1, 3, 5))})"
        assert contrast(written, "rgb(255, 255, 255)") >= CONTRAST


INTERACTIVE = "a[href], button, input, select, textarea, summary, [tabindex]"


@pytest.mark.parametrize("opened", [False, True])
@pytest.mark.parametrize("edition", EDITIONS)
def test_the_keyboard_reaches_everything_in_order_and_is_seen(browser, files, edition, opened):
    page = browser.new_page(viewport={"width": 1100, "height": 900})
    page.goto(files[edition].as_uri())
    if opened:
        for place in range(page.locator("summary").count()):
            page.locator("summary").nth(place).press("Enter")
        page.locator(".skip").focus()
        page.keyboard.press("Shift+Tab")
    wanted = page.evaluate(
        """(wanted) => [...document.querySelectorAll(wanted)].filter((one) => one.checkVisibility())
             .map((one, i) => (one.dataset.place = i))""",
        INTERACTIVE,
    )
    closed = page.locator("details:not([open])").count()
    assert (closed > 3) == (edition == "practice" and not opened)
    assert len(wanted) > 3
    reached = []
    for _ in wanted:
        page.keyboard.press("Tab")
        place, outline = page.evaluate(
            """() => {
              const one = document.activeElement, style = getComputedStyle(one);
              return [one.dataset.place ?? null, style.outlineStyle + ' ' + style.outlineWidth];
            }"""
        )
        reached.append(int(place))
        assert re.fullmatch(r"(solid|auto) [1-9]\d*px", outline), (place, outline)
    assert reached == list(range(len(wanted)))
    page.close()


@pytest.mark.parametrize("edition", EDITIONS)
@pytest.mark.parametrize("width", [320, PHONE, 760])
def test_a_narrow_screen_does_not_scroll_sideways(browser, files, edition, width):
    page = browser.new_page(viewport={"width": width, "height": 844})
    page.goto(files[edition].as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    wide = page.evaluate(
        """(width) => [...document.querySelectorAll('main *, footer *')]
             .filter((one) => !one.closest('.table') && one.getBoundingClientRect().right > width + 1)
             .map((one) => one.outerHTML)""",
        width,
    )
    page.close()
    assert wide == []


@pytest.mark.parametrize("edition", EDITIONS)
def test_larger_letters_do_not_cut_anything_off(browser, files, edition):
    """Text of twice the size (WCAG 2.2, success criterion 1.4.4)."""
    page = browser.new_page(viewport={"width": 1100, "height": 900})
    page.goto(files[edition].as_uri())
    page.add_style_tag(content="html { font-size: 200% !important; }")
    assert page.evaluate("document.documentElement.scrollWidth") <= 1100
    page.close()
