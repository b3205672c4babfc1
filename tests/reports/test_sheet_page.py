"""A sheet is one page, cuts nothing off, and every place to write in is a column of the schemas."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from rungwise.reports import sheet_words as words
from rungwise.reports.pdf import find_browser
from rungwise.reports.sheet_forms import FORMS, HOME_INCIDENTS, KINDS, LEVELS, form_of, lowest_level
from rungwise.reports.sheet_page import PAPER_MM, SheetFacts, Step, sheet_html
from rungwise.reports.sheet_words import sheet_words
from rungwise.tables.schema import plain, schema

ALL = [(kind, level) for kind in KINDS for level in LEVELS if level >= lowest_level(kind)]
KNOWN = SheetFacts(
    child_id="C014",
    ladder_id="gangway",
    steps=tuple(
        Step(number, f"Walk {number} meters of the gangway, hand on the rail", f"{20 * number} cm",
             "60 cm high, 100 cm wide, support one hand, standing, moving forward, eyes open, surface wet")
        for number in range(1, 9)
    ),
    probe_step=5,
    usual_rater="child",
    usual_setting="harbor",
    label="Gull Steps Movement Practice (invented)",
)  # fmt: skip
LONG = replace(
    KNOWN,
    steps=tuple(
        Step(number, f"Step {number}: " + "a long way over the moving pontoon " * 6)
        for number in range(1, 61)
    ),
    probe_step=40,
    minimum=0,
    maximum=100,
)
FACTS = {"known": KNOWN, "blank": SheetFacts(), "long": LONG}


def fields(html):
    return re.findall(r'data-field="(\w+)\.(\w+)"', html)


@pytest.mark.parametrize(("kind", "level"), ALL)
@pytest.mark.parametrize("facts", FACTS.values(), ids=FACTS)
def test_every_blank_is_a_column_and_bears_its_title_in_the_order_of_the_workbook(
    kind, level, facts, read_page
):
    form = form_of(kind, level)
    html = sheet_html(form, facts)
    read_page(html)
    for table, name in fields(html):
        assert name in schema(table).fields
    for row in re.findall(r"<tr style.*?</tr>", html):
        tables = {table for table, _ in fields(row)} - {"ladders"}
        for table in tables:
            asked = list(dict.fromkeys(name for at, name in fields(row) if at == table))
            order = list(schema(table).fields)
            assert asked == sorted(asked, key=order.index)
    record = html[html.index('<section class="record"') :]
    head = record[: record.index("</thead>")]
    titles = [
        re.sub(r"<span.*?</span>|<[^>]+>", "", cell) for cell in re.findall(r"<th[^>]*>.*?</th>", head)
    ]
    wanted = [schema(form.table).fields[name].title for name in form.rows]
    assert [title for title in titles if title in wanted] == wanted
    once = re.findall(r'<span class="title">([^<]+)</span>', html)
    assert [schema(form.table).fields[name].title for name in form.once] == [
        title for title in once if title in {schema(form.table).fields[name].title for name in form.once}
    ]


@pytest.mark.parametrize(("kind", "level"), ALL)
def test_what_is_ticked_is_understood_when_typed_as_it_is_printed(kind, level):
    html = sheet_html(form_of(kind, level), KNOWN)
    ticks = re.findall(r'data-field="(\w+)\.(\w+)" data-value="(\w+)"></span>([^<]*)</span>', html)
    assert ticks
    for table, name, value, printed in ticks:
        field = schema(table).fields[name]
        assert field.words[plain(printed)] == value
    heads = re.findall(r'<th scope="col" class="choice[^"]*">([^<]+)</th>', html)
    if "outcome" in form_of(kind, level).rows:
        assert [schema("observations").fields["outcome"].words[plain(word)] for word in heads] == [
            "completed",
            "partial",
            "declined",
        ]


@pytest.mark.parametrize(("kind", "level"), ALL)
def test_cautions_and_stop_signs_stand_on_every_sheet(kind, level):
    text = re.sub(r"<[^>]+>", " ", sheet_html(form_of(kind, level), KNOWN)).casefold()
    for signs in (
        ("pale",), ("sweat",), ("pupils",), ("dizz",), ("nausea", "sick"), ("headache",),
        ("never coerce", "never push"), ("can stop it",), ("within reach",),
        ("medical clearance first", "see a doctor first"), ("local codes and licensed", "local rules"),
        ("have a pediatric therapist review any wording",), ("common practice",), ("clinical guideline",),
        ("hours later",),
    ):  # fmt: skip
        assert any(sign in text for sign in signs), signs


def test_the_same_facts_give_the_same_bytes_and_known_things_are_printed():
    html = sheet_html(form_of("probe", 2), KNOWN)
    assert html == sheet_html(form_of("probe", 2), KNOWN)
    assert 'data-field="observations.child_id">C014<' in html
    assert 'data-field="observations.step">5<' in html
    assert '<li class="probe"><span class="number">5</span>' in html
    assert 'class="tick on" data-field="observations.rated_by" data-value="child"' in html
    assert "usually harbor" in html
    assert "Always the same: 60 cm high" in html
    assert html.count('class="tick on"') == 1


def test_a_blank_sheet_has_lines_for_what_is_not_known():
    html = sheet_html(form_of("probe", 2), SheetFacts())
    assert html.count('data-field="ladders.activity"') == 8
    assert 'data-field="observations.child_id"><' in html
    assert 'class="tick on"' not in html
    weekly = sheet_html(form_of("probe", 1), SheetFacts())
    assert weekly.count('data-field="ladders.activity"') == 1


def test_a_long_ladder_shows_the_steps_round_the_probe_step_and_says_so():
    html = sheet_html(form_of("probe", 2), LONG)
    shown = [int(number) for number in re.findall(r'<span class="number">(\d+)</span>', html)]
    assert shown == list(range(max(shown), min(shown) - 1, -1))
    assert min(shown) < 40 < max(shown)
    assert f"Steps {min(shown)} to {max(shown)} of 60" in html
    assert "…" in html
    approach = sheet_html(form_of("approach", 2), LONG)
    rows = [int(number) for number in re.findall(r'data-field="observations.step">(\d+)<', approach)]
    assert rows == list(range(1, len(rows) + 1))
    assert f"Steps 1 to {len(rows)} of 60" in approach


def test_steps_of_a_ladder_are_never_markup():
    facts = replace(KNOWN, steps=(Step(1, "Sit <b>low</b> & hold"),), probe_step=1)
    html = sheet_html(form_of("practice", 2), facts)
    assert "Sit &lt;b&gt;low&lt;/b&gt; &amp; hold" in html


SPANISH = sheet_words("es")
HOME_FORMS = FORMS["home"].values()
LEFT_IN_ENGLISH = re.compile(
    r"\b(the|of|and|with|your|not|rating|step|child|parent|fear|declined|day|ladder|other|stop)\b",
    re.IGNORECASE,
)
HOME = [(level, facts) for level in LEVELS for facts in FACTS.values()]


@pytest.mark.parametrize(("level", "facts"), HOME)
def test_no_english_is_left_on_a_spanish_home_sheet_but_the_titles_of_the_workbook(level, facts):
    english, spanish = (sheet_html(form_of("home", level), facts, lang=lang) for lang in ("en", "es"))
    assert '<html lang="es">' in spanish
    assert fields(english)
    assert set(fields(english)) == set(fields(spanish))
    assert re.findall(r'data-value="(\w+)"', english)[:9] == re.findall(r'data-value="(\w+)"', spanish)[:9]
    body = re.sub(r"<style>.*?</style>|<title>.*?</title>", "", spanish, flags=re.DOTALL)
    titles = set(re.findall(r'<span class="book" lang="en"> ([^<]+)</span>', body))
    assert titles == {field for field in titles if f">{field}<" in english}
    body = re.sub(r'<span class="book".*?</span>|<span class="activity.*?</span>|<b>|</b>', "", body)
    recorded = {step.activity[:20] for step in facts.steps} | {facts.label, facts.child_id, "missed"}
    left = [
        text.strip()
        for text in re.findall(r">([^<]+)<", body)
        if LEFT_IN_ENGLISH.search(re.sub(r"(apoyo|movimiento|ojos|superficie): [\w ]+", "", text))
        and not any(said and said in text for said in recorded)
    ]
    assert left == []


def test_every_sentence_of_a_home_sheet_has_its_spanish():
    for level in LEVELS:
        form = form_of("home", level)
        for text in (form.title, form.purpose, *form.how):
            assert SPANISH.sentence(text) != text
    for table, names in (("incidents", HOME_INCIDENTS), *((form.table, form.rows) for form in HOME_FORMS)):
        for name in names:
            field = schema(table).fields[name]
            for text in (field.title, *(word.replace("_", " ") for word in field.enum)):
                assert SPANISH.sentence(text) != text, (table, name, text)
    for name, text in vars(words).items():
        if name.startswith("HOME_"):
            for sentence in (text,) if isinstance(text, str) else text:
                assert SPANISH.sentence(sentence) != sentence, name


CUT_OFF = """() => { const out = [];
for (const block of document.querySelectorAll('.page > section')) {
  const edge = block.getBoundingClientRect();
  for (const e of block.querySelectorAll('*')) {
    if (['COL', 'COLGROUP'].includes(e.tagName) || e.closest('svg')) continue;
    const at = e.getBoundingClientRect();
    const over = Math.max(
      edge.top - at.top, at.bottom - edge.bottom, edge.left - at.left, at.right - edge.right);
    const hides = getComputedStyle(e).overflowX === 'hidden' &&
      (e.scrollHeight > e.clientHeight + 1.5 || e.scrollWidth > e.clientWidth + 1.5);
    if (over > 1.5 || hides) out.push([block.className, e.tagName, e.className, e.textContent]);
  } }
return out }"""


@pytest.fixture(scope="module")
def browser():
    playwright = pytest.importorskip("playwright.sync_api")
    command = find_browser()
    if command is None:
        pytest.skip("no browser that can print is installed")
    with playwright.sync_playwright() as started:
        opened = started.chromium.launch(executable_path=command, args=["--no-sandbox"])
        yield opened
        opened.close()


@pytest.mark.parametrize("facts", FACTS.values(), ids=FACTS)
@pytest.mark.parametrize("paper", PAPER_MM)
def test_exactly_one_page_with_nothing_cut_off(browser, paper, facts):
    page = browser.new_page()
    page.emulate_media(media="print")
    in_spanish = [(kind, level, "es") for kind, level in ALL if kind == "home"]
    for kind, level, lang in [*((kind, level, "en") for kind, level in ALL), *in_spanish]:
        html = sheet_html(form_of(kind, level), facts, paper, lang)
        # The second is the widest of the typefaces a computer falls back to.
        for family in ("", "DejaVu Sans"):
            page.set_content(html.replace('"Liberation Sans", Arial', f"'{family}'" if family else "Arial"))
            assert page.evaluate(CUT_OFF) == [], (kind, level, lang, family)
        printed = page.pdf(prefer_css_page_size=True)
        assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 1, (kind, level)
        box = re.search(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", printed)
        assert [float(side) for side in box.groups()] == pytest.approx(
            [side / 25.4 * 72 for side in PAPER_MM[paper]], abs=1
        )
    page.close()
