"""The printed answer in the language of the pages."""

from __future__ import annotations

from collections.abc import Sequence

from rungwise.reports.catalog import words_in
from rungwise.reports.words import whose_outcome
from rungwise.single_case.answer_text import answer_lines
from rungwise.single_case.child_answer import ChildAnswer


def answer_lines_in(answer: ChildAnswer, lang: str, beside: Sequence[str] = ()) -> list[str]:
    """Write the answer about one child in a language.

    Parameters
    ----------
    answer : ChildAnswer
    lang : {"en", "es"}
    beside : sequence of str
        Lines on other outcomes, in the same language.

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
    if lang == "en":
        return answer_lines(answer, beside)

    def translated(text: str) -> str:
        return say.number(say.sentence(text))

    return answer_lines(
        answer, beside, who=whose_outcome(answer, say), words=say.texts, translated=translated
    )
