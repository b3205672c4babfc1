"""The start page in a real browser: from an empty screen to a saved report, by mouse and by keyboard."""

from __future__ import annotations

import re
import urllib.error
import urllib.request
from pathlib import Path

import pytest
from browser_lab import CHROMIUM, MILLISECONDS, served

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytestmark = pytest.mark.skipif(
    CHROMIUM is None, reason="Debian's chromium is not installed (.ci/run installs it)"
)

ROOT = Path(__file__).resolve().parents[2]
MESSY = ROOT / "data_demo" / "messy"


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    """Run the server in a folder of its own; give its folder and its address."""
    with served(tmp_path_factory.mktemp("lab")) as folder_and_address:
        yield folder_and_address


@pytest.fixture(scope="module")
def opened(server):
    """Open the start page once, as a person does: wait for the kernel, press Start."""
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        page.set_default_timeout(MILLISECONDS)
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        page.goto(server[1])
        page.wait_for_selector("text=/\\| Idle/")
        page.click("button:has-text('Start')")
        page.wait_for_selector("button:has-text('Use the demo')")
        page.asked = asked
        yield page
        browser.close()


def choose(page, code: str) -> None:
    page.get_by_label("Child", exact=True).select_option(code)
    page.wait_for_selector(f"h1:has-text('{code}: fear at the probe step')")


def use_the_demo(page) -> None:
    page.click("button:has-text('Use the demo')")
    page.wait_for_selector("text=an invented practice with invented children: 57 children.")
    page.wait_for_selector("text=The answer appears here when a child is chosen.")


def upload(page, *files: Path, button: str = "Choose files") -> None:
    with page.expect_file_chooser() as chooser:
        page.click(f"button:has-text('{button}')")
    chooser.value.set_files([str(file) for file in files])


def test_nothing_is_shown_without_the_key_of_the_session(server):
    address = server[1].split("/lab")[0]
    assert address.startswith("http://127.0.0.1:")
    with pytest.raises(urllib.error.HTTPError) as refused:
        urllib.request.urlopen(f"{address}/api/contents")
    refused.value.close()
    assert refused.value.code == 403


def test_the_demo_is_read_and_a_childs_answer_and_figure_are_seen(opened):
    use_the_demo(opened)
    choose(opened, "C014")
    figure = opened.locator(".rungwise figure img")
    assert figure.get_attribute("alt").startswith("Graph of fear by day. Verdict: ")
    assert figure.evaluate("image => image.complete && image.naturalWidth") > 900
    assert re.search(r"C014's fear \w+", opened.locator(".rungwise .answer").inner_text())
    opened.click("summary:has-text('The numbers')")
    assert opened.locator("td:has-text('NAP')").first.is_visible()
    opened.click("summary:has-text('Words used on this page')")
    assert opened.locator("li:has-text('Autocorrelation: how much')").is_visible()


def test_the_problems_of_a_messy_file_are_read_in_words(opened):
    upload(opened, *(MESSY / f"{name}.csv" for name in ("children", "phases", "ratings")))
    opened.wait_for_selector("text=/\\d+ errors and \\d+ warnings/")
    table = opened.locator("[aria-label='What to put right in the file']")
    first = table.locator("tbody tr").first.inner_text()
    assert ".csv, " in first
    assert table.locator("tbody tr").count() > 10
    with opened.expect_download() as saved:
        opened.click("a:has-text('Save this list as a CSV file')")
    lines = Path(saved.value.path()).read_text(encoding="utf-8-sig").splitlines()
    assert lines[0].startswith("severity,table,source,row,column,value,code")
    assert len(lines) > 20


def test_a_wrong_file_gets_a_clear_sentence_and_takes_the_old_answer_away(opened, tmp_path):
    use_the_demo(opened)
    choose(opened, "C014")
    wrong = tmp_path / "letter.csv"
    wrong.write_bytes(b"%PDF-1.7\nnothing to see")
    upload(opened, wrong)
    opened.wait_for_selector("text=letter.csv could not be used.")
    assert opened.locator("text=/PDF document/").first.is_visible()
    assert opened.locator("h1:has-text('C014')").count() == 0
    assert opened.get_by_label("Child", exact=True).is_disabled()
    assert opened.locator("button:has-text('Save the report')").is_disabled()


def test_a_file_above_the_usual_limit_of_uploads_is_taken(opened, tmp_path):
    rows = ["date,phase,rating,note"]
    for week in range(120):
        phase = "baseline" if week < 40 else "exposure"
        rows.append(f"20{20 + week // 48:02}-{1 + week // 4 % 12:02}-{1 + 7 * (week % 4):02},{phase},"
                    f"{7 - week // 30},{'calm ' * 20_000}")  # fmt: skip
    large = tmp_path / "long_notes.csv"
    large.write_text("\n".join(rows))
    assert large.stat().st_size > 11 * 1024 * 1024
    upload(opened, large)
    opened.wait_for_selector("text=long_notes.csv: 1 child.")
    opened.wait_for_selector("h1:has-text('child: fear at the probe step')")


def test_a_report_is_saved_and_handed_over(opened, server):
    use_the_demo(opened)
    choose(opened, "C021")
    opened.get_by_label("the sheet for the family").check()
    opened.click("button:has-text('Save the report')")
    saved_as = ", ".join(f"reports/{kind}_C021.html" for kind in ("child", "family", "file"))
    opened.wait_for_selector(f"text=Saved: {saved_as}.")
    written = (server[0] / "reports" / "child_C021.html").read_text(encoding="utf-8")
    assert "C021: fear at the probe step" in written
    with opened.expect_download() as saved:
        opened.click("a:has-text('Open or keep a copy of child_C021.html')")
    assert Path(saved.value.path()).read_text(encoding="utf-8") == written
    opened.click("button:has-text('Save the report')")
    opened.wait_for_selector("text=A report of this name is there already.")


def test_everything_can_be_done_with_the_keyboard(opened):
    opened.get_by_label("Language", exact=True).focus()
    reached = []
    for _ in range(4):
        opened.keyboard.press("Tab")
        reached.append(
            opened.evaluate("document.activeElement.innerText || document.activeElement.placeholder")
        )
    assert [re.sub(r"\s*\(0\)", "", name).strip() for name in reached] == [
        "Use the demo", "Choose files …", "a file or folder, for example ratings.csv", "Read it",
    ]  # fmt: skip
    use_the_demo(opened)
    cells = opened.locator(".jp-Cell").count()
    opened.locator("select:enabled:has(option:text-is('C014'))").focus()
    # Keys of a list must not reach the notebook, where x cuts a cell and C copies one.
    opened.keyboard.press("C")
    opened.wait_for_selector("h1:has-text('C001: fear at the probe step')")
    opened.keyboard.press("ArrowDown")
    opened.wait_for_selector("h1:has-text('C002: fear at the probe step')")
    opened.keyboard.press("x")
    opened.keyboard.press("Escape")
    assert opened.locator(".jp-Cell").count() == cells
    path = opened.get_by_placeholder("a file or folder")
    path.focus()
    opened.keyboard.type(str(ROOT / "data_demo" / "one_child.csv"))
    opened.keyboard.press("Tab")
    opened.keyboard.press("Enter")
    opened.wait_for_selector("h1:has-text('child: fear at the probe step')")
    assert opened.locator("text=one_child.csv: 1 child.").is_visible()
    # On to the saved report, with Tab and Enter alone.
    name = "document.activeElement.innerText || document.activeElement.value || ''"
    for _ in range(40):
        opened.keyboard.press("Tab")
        if opened.evaluate(name).strip() == "Save the report":
            break
    opened.keyboard.press("Enter")
    opened.wait_for_selector("text=Saved: reports/child_child.html")


def test_the_page_speaks_spanish(opened):
    use_the_demo(opened)
    choose(opened, "C014")
    opened.get_by_label("Language", exact=True).select_option("Español")
    opened.wait_for_selector("h1:has-text('C014: miedo en el paso de sondeo')")
    assert opened.locator("button:has-text('Guardar el informe')").is_enabled()
    assert (
        opened.locator(".rungwise figure img").get_attribute("alt").startswith("Gráfico de miedo por día.")
    )
    messy = [MESSY / f"{name}.csv" for name in ("children", "phases", "ratings")]
    upload(opened, *messy, button="Elegir archivos")
    opened.wait_for_selector("text=Esto no es un número.")
    opened.get_by_label("Código", exact=True).select_option("C001")
    opened.wait_for_selector("h1:has-text('C001: miedo en el paso de sondeo')")
    opened.get_by_label("Idioma", exact=True).select_option("English")
    opened.wait_for_selector("h1:has-text('C001: fear at the probe step')")


def test_nothing_was_asked_of_any_other_computer(opened):
    assert len(opened.asked) > 20
    assert [
        url for url in opened.asked if not re.match(r"(http|ws)://127\.0\.0\.1:|data:|blob:", url)
    ] == []
