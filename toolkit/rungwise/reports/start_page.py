"""The page a clinician opens: choose a file and a child, read the answer, save the report.

`notebooks/start_here.ipynb` shows it. Everything runs on the computer it is opened on.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any

import ipywidgets as widgets
import numpy as np

from rungwise.basis.errors import DataProblems, RungwiseError
from rungwise.reports import start_view as view
from rungwise.reports.catalog import LANGUAGES, Words, words_in
from rungwise.reports.child_report import write_child_report, write_family_report
from rungwise.reports.sheet import write_sheet
from rungwise.reports.words import named
from rungwise.reports.write import NotWritten
from rungwise.series.caseload import Caseload, read_caseload
from rungwise.simulate.practice import simulate_practice
from rungwise.simulate.writing import write_tables
from rungwise.single_case.child_answer import ChildAnswer, child_answer
from rungwise.tables.files import KINDS
from rungwise.tables.workbook import LEVELS, write_workbook

# `rungwise lab` tells the page its language and how large an upload its server takes; others take this.
UPLOAD_VARIABLE = "RUNGWISE_UPLOAD_MB"
LANGUAGE_VARIABLE = "RUNGWISE_LANG"
# Set in the kernels that Voila starts.
VOILA_VARIABLE = "VOILA_REQUEST_URL"
USUAL_UPLOAD_MB = 10
DEMO_SEED = 20279
_TABLES = ("children", "phases", "ratings")


def start_page(
    folder: str | Path = ".", *, lang: str | None = None, today: date | None = None
) -> StartPage:
    """Give the start page, ready to be shown by a notebook.

    Parameters
    ----------
    folder : str or Path
        Where typed names begin and where reports are saved.
    lang : str, optional
        Language it opens in, default the one `rungwise lab` was asked for; it can be changed on the page.
    today : datetime.date, optional
        Day after which dates are refused; default the computer's.

    Raises
    ------
    ValueError
        If there is no catalog of that language.
    """
    say = words_in(os.environ.get(LANGUAGE_VARIABLE, "en") if lang is None else lang)
    return StartPage(Path(folder), say, today)


class StartPage:
    """The widgets of the start page and what they do; `show` is the widget to display.

    Every action ends in a sentence on the page, also when something goes wrong: an error in a
    widget's own handler would otherwise be seen nowhere.
    """

    def __init__(self, folder: Path, say: Words, today: date | None = None):
        self.folder = folder.resolve()
        self.say = say
        self.today = today
        self.caseload: Caseload | None = None
        self.answer: ChildAnswer | None = None
        self._source: Path | None = None
        self._name = ""
        self._today_read = today
        self._loading = False
        # Uploaded files and the demo live here until the page is closed.
        self._scratch = tempfile.TemporaryDirectory(prefix="rungwise-", ignore_cleanup_errors=True)
        self._taken = 0
        self._make()
        self.show = widgets.VBox(layout=widgets.Layout(max_width="52rem", width="100%"))
        self._lay_out()
        view.warm_up()

    def _repr_mimebundle_(self, **arguments: Any) -> dict[str, Any]:
        shown = dict(self.show._repr_mimebundle_(**arguments))
        return {**shown, "text/plain": self.say("start.title")}

    # What stands on the page.

    def _make(self) -> None:
        wide = {
            "style": {"description_width": "9rem"},
            "layout": widgets.Layout(width="34rem", max_width="100%"),
        }
        button = {"layout": widgets.Layout(width="auto", align_self="flex-start")}
        box = {"indent": False, "layout": widgets.Layout(width="auto")}
        self.language = widgets.Dropdown(
            options=[(name, lang) for lang, name in LANGUAGES.items()], value=self.say.lang,
            style={"description_width": "initial"}, layout=widgets.Layout(width="14rem"),
        )  # fmt: skip
        self.upload = widgets.FileUpload(accept=",".join(KINDS), multiple=True, **button)
        # Sent as a whole when the field is left: letter by letter, a fast typist would press the button
        # before the last letters arrive.
        self.path = widgets.Combobox(ensure_option=False, continuous_update=False, **wide)
        self.read = widgets.Button(button_style="primary", **button)
        self.demo = widgets.Button(**button)
        self.status, self.problems = widgets.HTML(), widgets.HTML()
        self.child = widgets.Dropdown(disabled=True, **wide)
        self.outcome = widgets.Dropdown(disabled=True, **wide)
        self.ladder = widgets.Dropdown(disabled=True, **wide)
        self.shown = widgets.HTML()
        self.save_page = widgets.Checkbox(value=True, **box)
        self.save_family = widgets.Checkbox(value=False, **box)
        self.save_pdf = widgets.Checkbox(value=False, **box)
        self.save_replace = widgets.Checkbox(value=False, **box)
        self.save_folder = widgets.Text(value="reports", **wide)
        self.save = widgets.Button(button_style="primary", disabled=True, **button)
        self.saved = widgets.HTML()
        self.level = widgets.Dropdown(options=LEVELS, **wide)
        self.sheet = widgets.Button(**button)
        self.paper = widgets.Button(disabled=True, **button)
        self.sheet_made = widgets.HTML()
        self.headings = {
            key: widgets.HTML()
            for key in (
                "title",
                "data",
                "limits",
                "child_section",
                "answer_section",
                "save_section",
                "sheet_section",
            )
        }

        self.language.observe(self._guarded(self._change_language), "value")
        self.upload.observe(self._guarded(self._take_upload), "value")
        self.read.on_click(self._guarded(self._read_typed))
        self.demo.on_click(self._guarded(self._read_demo))
        for chooser in (self.child, self.outcome, self.ladder):
            chooser.observe(self._guarded(self._choose), "value")
        self.save.on_click(self._guarded(self._save))
        self.sheet.on_click(self._guarded(self._make_workbook))
        self.paper.on_click(self._guarded(self._make_sheet))
        self._write_words()

    def _lay_out(self) -> None:
        row = widgets.Layout(flex_flow="row wrap", align_items="center")
        heads = self.headings
        self.show.children = [
            widgets.HTML(view.style(alone=VOILA_VARIABLE in os.environ)),
            heads["title"],
            self.language,
            heads["data"],
            widgets.Box([self.demo, self.upload], layout=row),
            widgets.Box([self.path, self.read], layout=row),
            heads["limits"],
            self.status,
            self.problems,
            heads["child_section"],
            self.child,
            self.outcome,
            self.ladder,
            heads["answer_section"],
            self.shown,
            heads["save_section"],
            self.save_page,
            self.save_family,
            self.save_pdf,
            self.save_replace,
            self.save_folder,
            self.save,
            self.saved,
            heads["sheet_section"],
            self.paper,
            widgets.Box([self.level, self.sheet], layout=row),
            self.sheet_made,
        ]

    def _write_words(self) -> None:
        """Put every fixed text of the page into the chosen language."""
        say = self.say
        megabytes = int(os.environ.get(UPLOAD_VARIABLE, USUAL_UPLOAD_MB))
        for control, key in (
            (self.language, "language"), (self.upload, "choose"), (self.path, "path"),
            (self.read, "read_button"), (self.demo, "demo_button"), (self.child, "child"),
            (self.outcome, "outcome"), (self.ladder, "ladder"), (self.save_page, "save_page"),
            (self.save_family, "save_family"), (self.save_pdf, "save_pdf"),
            (self.save_replace, "save_replace"), (self.save_folder, "save_folder"),
            (self.save, "save_button"), (self.level, "sheet_level"), (self.sheet, "workbook_button"),
            (self.paper, "sheet_button"),
        ):  # fmt: skip
            control.description = say(f"start.{key}")
        self.path.placeholder = say("start.path_hint")
        head = view.heading_html
        # What is true of the server that `rungwise lab` starts may not be true of another.
        private = "start.private" if UPLOAD_VARIABLE in os.environ else "start.private.elsewhere"
        self.headings["title"].value = head(say("start.title"), 1, say("start.purpose"), say(private))
        self.headings["data"].value = head(say("start.data"), 2)
        self.headings["limits"].value = view.told(say("start.limits", megabytes=megabytes), kind="small")
        self.headings["child_section"].value = head(say("start.child_section"), 2)
        self.headings["answer_section"].value = head(say("start.answer_section"), 2)
        self.headings["save_section"].value = head(say("start.save_section"), 2, say("start.confidential"))
        self.headings["sheet_section"].value = head(say("start.sheet_section"), 2, say("start.sheet_words"))
        if self.caseload is None:
            self.status.value = view.told(say("start.nothing_yet"))
            self.saved.value = view.told(say("start.save_waits"), kind="small")
        if self.answer is None:
            self.shown.value = view.told(say("start.answer_waits"), kind="small")
        self._list_files()

    def _list_files(self) -> None:
        """Offer what could be read in the working folder."""
        try:
            entries = sorted(self.folder.iterdir(), key=lambda entry: entry.name.casefold())
        except OSError:
            entries = []
        self.path.options = [
            entry.name
            for entry in entries
            if not entry.name.startswith((".", "~$")) and entry.suffix.casefold() in KINDS
        ]

    # What happens.

    def _guarded(self, act: Callable[[], None]) -> Callable[[Any], None]:
        """Let no error of an action go unseen."""

        def run(_: Any) -> None:
            try:
                act()
            except (RungwiseError, ValueError, OSError) as error:
                self._complain(str(error))
            except Exception as error:  # the kernel would write it to a log no one reads
                self._complain(self.say("start.unexpected", reason=f"{type(error).__name__}: {error}."))

        return run

    def _complain(self, sentence: str) -> None:
        place = self.status if self.answer is None else self.saved
        place.value = view.told(sentence, kind="wrong")

    def _change_language(self) -> None:
        self.say = words_in(self.language.value)
        self._write_words()
        if self.caseload is not None:
            self._show_caseload()
            self._offer_children(self.child.value)
            self._choose()

    def _take_upload(self) -> None:
        """Read what was chosen: one file by itself, several as a caseload's tables."""
        files = self.upload.value
        if not files:
            return
        folder = self._new_scratch("upload")
        for file in files:
            # Browsers give a bare name; whatever else comes must not lead out of the folder.
            name = PureWindowsPath(PurePosixPath(file["name"]).name).name or "file"
            (folder / name).write_bytes(bytes(file["content"]))
        names = ", ".join(sorted(entry.name for entry in folder.iterdir()))
        source = next(folder.iterdir()) if len(files) == 1 else folder
        self.upload.value = ()
        self._open(source, names, self.today)

    def _read_typed(self) -> None:
        typed = self.path.value.strip().strip("\"'")
        if not typed:
            self._forget(self.say("start.type_first"))
            return
        # A typed path that is absolute stands for itself.
        self._open(self.folder / Path(typed).expanduser(), typed, self.today)

    def _read_demo(self) -> None:
        folder = self._new_scratch("demo")
        practice = simulate_practice(np.random.default_rng(DEMO_SEED), level=1)
        write_tables({name: practice.tables[name] for name in _TABLES}, folder)
        self._open(folder, "", max(self.today or date.today(), practice.recorded_until))

    def _open(self, source: Path, name: str, today: date | None) -> None:
        self._forget(self.say("start.reading", name=name) if name else "")
        self._list_files()
        try:
            caseload = read_caseload(source, today=today)
            if not caseload.children:
                raise DataProblems(self.say("start.no_ratings"), caseload.report)
        except DataProblems as error:
            reason = view.reason_words(error, self.say)
            self._forget(self.say("start.not_read", name=name, reason=reason), kind="wrong")
            if len(error.report):
                self.problems.value = view.problems_html(error.report, self.say)
            return
        self.caseload, self._source, self._today_read, self._name = caseload, source, today, name
        self._show_caseload()
        only = caseload.children[0] if len(caseload.children) == 1 else None
        self._offer_children(only)
        self.child.disabled = False
        self._choose()

    def _forget(self, sentence: str, kind: str = "") -> None:
        """Take back what an earlier file showed, so that it is never taken for the new one's."""
        self.caseload = None
        self._offer(self.child, (), None)
        self.child.disabled = True
        self._forget_child()
        self.problems.value = ""
        self.status.value = view.told(sentence, kind=kind)

    def _forget_child(self) -> None:
        self.answer = None
        for chooser in (self.outcome, self.ladder):
            self._offer(chooser, (), None)
            chooser.disabled = True
        self.save.disabled = self.paper.disabled = True
        self.shown.value = view.told(self.say("start.answer_waits"), kind="small")
        self.saved.value = view.told(self.say("start.save_waits"), kind="small")

    def _show_caseload(self) -> None:
        caseload = self._caseload()
        children = self.say.count("child", len(caseload.children))
        key = "start.read" if self._name else "start.demo_read"
        self.status.value = view.told(self.say(key, name=self._name, children=children))
        self.problems.value = view.problems_html(caseload.report, self.say)

    def _offer_children(self, chosen: str | None) -> None:
        children = [(child, child) for child in self._caseload().children]
        self._offer(self.child, [(self.say("start.choose_child"), None), *children], chosen)

    def _offer(self, chooser: widgets.Dropdown, options: Sequence[Any], chosen: Any) -> None:
        """Fill a list and choose in it, without taking that for the person's choice."""
        self._loading, before = True, self._loading
        chooser.options = options
        chooser.value = chosen
        self._loading = before

    def _choose(self) -> None:
        """Follow a choice down: child, outcome, ladder; then show the answer."""
        if self._loading or self.caseload is None:
            return
        caseload, child = self.caseload, self.child.value
        if child is None:
            self._forget_child()
            return
        if self.answer is not None and self.answer.child_id != child:
            # Nothing of one child may stand under another's code, whatever happens next.
            self.answer, self.shown.value = None, ""
        outcomes = caseload.outcomes(child)
        outcome = self.outcome.value if self.outcome.value in outcomes else outcomes[0]
        self._offer(self.outcome, outcomes, outcome)
        self.outcome.disabled = len(outcomes) == 1
        self.answer = child_answer(caseload, child, outcome)
        ladders: list[tuple[str, str | None]] = [
            (named(one, self.say), one.ladder_id) for one in self.answer.ladders
        ]
        if len(ladders) > 1:
            ladders.insert(0, (self.say("start.all_ladders"), None))
        there = [ladder for _, ladder in ladders]
        kept = self.ladder.value if self.ladder.value in there else there[0]
        self._offer(self.ladder, ladders, kept)
        self.ladder.disabled = len(ladders) == 1
        self.save.disabled = self.paper.disabled = False
        self.saved.value = ""
        self._show_answer()

    def _show_answer(self) -> None:
        if self.answer is None:
            return
        self.shown.value = view.answer_html(self._caseload(), self.answer, self.say, self.ladder.value)

    def _save(self) -> None:
        if self.answer is None or self._source is None:
            self.saved.value = view.told(self.say("start.save_waits"))
            return
        wanted = [
            write
            for write, box in (
                (write_child_report, self.save_page),
                (write_family_report, self.save_family),
            )
            if box.value
        ]
        if not wanted:
            self.saved.value = view.told(self.say("start.save_nothing"), kind="wrong")
            return
        written: list[Path] = []
        for write in wanted:
            try:
                written += write(
                    self._source, self.answer.child_id, to=self.folder / self.save_folder.value,
                    outcome=self.answer.outcome, overwrite=self.save_replace.value,
                    today=self._today_read, pdf=self.save_pdf.value, lang=self.say.lang,
                    progress=self._progress,
                )  # fmt: skip
            except NotWritten as error:
                there = "exists already" in str(error)
                sentence = (
                    self.say("start.exists", replace=self.say("start.save_replace"))
                    if there
                    else str(error)
                )
                self.saved.value = view.told(sentence, kind="wrong")
                return
        self.saved.value = view.saved_html(written, self.folder, self.say)

    def _progress(self, done: int, total: int) -> None:
        self.saved.value = view.told(self.say("start.saving", done=done, total=total))

    def _make_workbook(self) -> None:
        level = self.level.value
        file = write_workbook(self._new_scratch("workbook") / f"recording_level_{level}.xlsx", level)
        self.sheet_made.value = view.handed_over([file], self.say)

    def _make_sheet(self) -> None:
        """Make the sheet for the ladder on view; with several on view, for the first."""
        if self.answer is None or self._source is None:
            self.sheet_made.value = view.told(self.say("start.save_waits"))
            return
        ladder = self.ladder.value or self.answer.ladders[0].ladder_id
        files = write_sheet(
            self._source, self.answer.child_id, to=self._new_scratch("sheet"), ladder_id=ladder or None,
            today=self._today_read,
        )  # fmt: skip
        self.sheet_made.value = view.handed_over(files, self.say)

    def _new_scratch(self, kind: str) -> Path:
        """Give an empty folder of the page's own."""
        self._taken += 1
        folder = Path(self._scratch.name) / f"{kind}_{self._taken}"
        folder.mkdir()
        return folder

    def _caseload(self) -> Caseload:
        if self.caseload is None:
            raise ValueError(self.say("start.nothing_yet"))
        return self.caseload
