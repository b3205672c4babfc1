"""The words of the pages in the languages they are kept in.

`catalogs/en.toml` is the source of what pages say, beside the words of the verdict
(`rungwise.single_case.verdict_words`) and of the graph; each other language is one file with all of
these keys and the same placeholders. To add one, translate a copy and name it in `LANGUAGES`.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path

from rungwise.basis.errors import check_choice
from rungwise.basis.page_numbers import of_hundred
from rungwise.figures.change_scatter import WORDS as SCATTER
from rungwise.figures.ladder_words import WORDS as LADDER_FIGURES
from rungwise.figures.rater_comparison import WORDS as RATERS
from rungwise.figures.single_case_graph import WORDS as GRAPH
from rungwise.ladders.child_lines import WORDS as CHILD_LINES
from rungwise.ladders.review import WORDS as REMARKS
from rungwise.single_case.answer_text import PRINTED
from rungwise.single_case.verdict_rule import VERDICTS, words_of
from rungwise.single_case.verdict_words import ENGLISH

CATALOGS = Path(__file__).resolve().parent / "catalogs"
TECHNICAL = "technical"
LANGUAGES = {"en": "English", "es": "Español"}
_SLOT = re.compile(r"\{(\w+)\}")
# Placeholders of these names stand for a written number and nothing else, so that a short template
# such as "{low} to {high}" does not take hold of a sentence it was not made for.
_NUMBER_SLOTS = ("n", "a", "b", "low", "high", "first", "last", "level")
_NUMBER = r"(?:(?:more|fewer|less) than )?[−-]?\d*\.?\d+"


@dataclass(frozen=True)
class Words:
    """The words of one language.

    Attributes
    ----------
    lang : str
        Language tag.
    texts : Mapping[str, str]
        Template by key.
    technical : tuple of (str, str)
        Sentences the statistics write in English, as templates, each with its translation; empty for
        English.

    Examples
    --------
    >>> english = words_in("en")
    >>> english("start.read", name="ratings.csv", children=english.count("child", 3))
    'ratings.csv: 3 children.'
    >>> words_in("es").count("child", 1)
    '1 niño o niña'
    """

    lang: str
    texts: Mapping[str, str]
    technical: tuple[tuple[str, str], ...] = ()

    def __call__(self, key: str, /, **values: object) -> str:
        """Give the text of a key with its placeholders filled."""
        return self.texts[key].format(**values)

    def count(self, noun: str, number: int) -> str:
        """Write a count with its noun."""
        return self(f"count.{noun}.{'one' if number == 1 else 'many'}", n=number)

    def listed(self, parts: list[str]) -> str:
        """Join parts the way a sentence does."""
        if len(parts) < 2:
            return "".join(parts)
        return f"{', '.join(parts[:-1])} {self('and')} {parts[-1]}"

    def of_hundred(self, share: float) -> str:
        """Write a share as a whole number of 100, never a false 0 or 100."""
        return self.number(of_hundred(share))

    def number(self, text: str) -> str:
        """Put the few words a written number can contain into this language."""
        for phrase in ("not available", "no interval", "more than", "fewer than", "less than"):
            if phrase in text:
                return text.replace(phrase, self("number." + phrase.replace(" ", "_")))
        return text

    def sentence(self, text: str) -> str:
        """Put a sentence that a statistic wrote into this language; unknown ones stay as they are."""
        for pattern, template in self._patterns:
            if found := pattern.fullmatch(text):
                filled = {
                    name: self.number(self.sentence(value)) for name, value in found.groupdict().items()
                }
                return template.format(**filled)
        return text

    @cached_property
    def _patterns(self) -> list[tuple[re.Pattern[str], str]]:
        # The longest fixed text first, so that no general sentence hides a special one.
        ordered = sorted(self.technical, key=lambda pair: -len(_SLOT.sub("", pair[0])))
        return [(re.compile(_as_pattern(english), re.DOTALL), other) for english, other in ordered]


@cache
def words_in(lang: str) -> Words:
    """Give the words of a language.

    Raises
    ------
    ValueError
        If there is no catalog of that language; the message lists those there are.
    """
    check_choice("lang", lang, LANGUAGES)
    texts = tomllib.loads((CATALOGS / f"{lang}.toml").read_text(encoding="utf-8"))
    technical = {english: _unbroken(other) for english, other in texts.pop(TECHNICAL, {}).items()}
    texts = {key: _unbroken(text) for key, text in texts.items()}
    elsewhere = _elsewhere() if lang == "en" else {}
    return Words(lang, {**texts, **elsewhere}, tuple(technical.items()))


def _unbroken(text: str) -> str:
    """Keep a percent sign with its number where a language puts a space between the two."""
    return text.replace(" %", "\N{NO-BREAK SPACE}%")


def _elsewhere() -> dict[str, str]:
    """Give the English words that stand beside the statistics and the figures."""
    return {
        **ENGLISH,
        **PRINTED,
        **{f"verdict.{code}": words_of(code) for code in VERDICTS},
        **{f"verdict.{code}.higher": words_of(code, lower=False) for code in VERDICTS},
        **{f"graph.{key}": text for key, text in GRAPH.items()},
        **{f"ladder_figure.{key}": text for key, text in LADDER_FIGURES.items()},
        **{f"remark.{key}": text for key, text in REMARKS.items()},
        **CHILD_LINES,
        **{f"scatter.{key}": text for key, text in SCATTER.items()},
        **{f"raters.{key}": text for key, text in RATERS.items()},
    }


def placeholders(template: str) -> list[str]:
    """Give the placeholders of a template, sorted."""
    return sorted(_SLOT.findall(template))


def _as_pattern(template: str) -> str:
    parts, seen, end = [], set[str](), 0
    for slot in _SLOT.finditer(template):
        parts.append(re.escape(template[end : slot.start()]))
        name = slot[1]
        inside = _NUMBER if name in _NUMBER_SLOTS else ".+?"
        parts.append(f"(?P={name})" if name in seen else f"(?P<{name}>{inside})")
        seen.add(name)
        end = slot.end()
    return "".join([*parts, re.escape(template[end:])])
