"""The printed answer in the language of the pages."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence

from rungwise.ladders.child_lines import printed_lines
from rungwise.reports.catalog import words_in
from rungwise.reports.words import whose_outcome
from rungwise.series.caseload import Caseload
from rungwise.single_case.answer_text import WIDTH, answer_lines
from rungwise.single_case.child_answer import ChildAnswer

# Wide enough that a sentence stays whole until it is translated.
_UNBROKEN = 1_000_000


def answer_lines_in(
    answer: ChildAnswer, lang: str, beside: Sequence[str] = (), *, caseload: Caseload | None = None
) -> list[str]:
    """Write the answer about one child in a language.

    Parameters
    ----------
    answer : ChildAnswer
    lang : {"en", "es"}
    beside : sequence of str
        Lines on other outcomes, in the same language.
    caseload : Caseload, optional
        Adds what its trials say of the child's ladders.

    Raises
    ------
    ValueError
        If there is no catalog of that language.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> import rungwise as rw
    >>> file = pathlib.Path(tempfile.mkdtemp(), "one.csv")
    >>> before = [f"2026-03-0{day},baseline,{day + 3}" for day in range(1, 6)]
    >>> since = [f"2026-04-0{day},exposure,{9 - day}" for day in range(1, 8)]
    >>> _ = file.write_text("\\n".join(["date,phase,rating", *before, *since]))
    >>> answer = rw.child_answer(rw.read_caseload(file), "child")
    >>> answer_lines_in(answer, "es")[-1]
    'Una estadística informa; decide el clínico, junto con la familia.'
    """
    say = words_in(lang)

    def translated(text: str) -> str:
        return say.number(say.sentence(text))

    if caseload is not None:
        beside = [*beside, *_of_ladders(caseload, answer.child_id, translated)]
    if lang == "en":
        return answer_lines(answer, beside)
    return answer_lines(
        answer, beside, who=whose_outcome(answer, say), words=say.texts, translated=translated
    )


def _of_ladders(caseload: Caseload, child_id: str, translated: Callable[[str], str]) -> list[str]:
    """Give `printed_lines` in another language: translated sentence by sentence, then wrapped."""
    if "observations" not in caseload.tables:
        return []
    lines: list[str] = []
    for line in printed_lines(caseload, child_id, _UNBROKEN):
        text = line.removeprefix("  - ")
        first = line[: len(line) - len(text)]
        lines += textwrap.wrap(
            translated(text), WIDTH, initial_indent=first, subsequent_indent=" " * len(first)
        ) or [""]
    return lines
