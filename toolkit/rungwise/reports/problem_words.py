"""The problems of a file in the language of the page: by rule, so that no sentence is taken for another."""

from __future__ import annotations

import re
import tomllib
from functools import cache

from rungwise.reports.catalog import CATALOGS, Words
from rungwise.tables.problems import Problem
from rungwise.tables.rules import RULES

PHRASES = "phrases"
_SLOT = re.compile(r"\{(\w+)\}")


def problem_and_remedy(problem: Problem, say: Words) -> tuple[str, str]:
    """Give what is wrong and how to put it right in the language of the page.

    A sentence the language has no words for stays in English, so nothing is ever left out.

    Examples
    --------
    >>> from rungwise.reports.catalog import words_in
    >>> wrong = Problem("error", "ratings", "ratings.csv", 7, "date", "2027-01-01", "date_future",
    ...     "The date is after today (2026-11-13).", "Put the date right.")
    >>> problem_and_remedy(wrong, words_in("es"))
    ('La fecha es posterior a hoy (2026-11-13).', 'Corrija la fecha.')
    """
    rule, told = RULES.get(problem.code), translations(say.lang)
    if rule is None or problem.code not in told:
        return problem.problem, problem.remedy
    own = told[problem.code]
    phrases = Words(say.lang, say.texts, tuple(told.get(PHRASES, {}).items()))
    return (
        _told(problem.problem, rule.problem, own["problem"], phrases),
        _told(problem.remedy, rule.remedy, own["remedy"], phrases),
    )


@cache
def translations(lang: str) -> dict[str, dict[str, str]]:
    """Give a language's sentences by rule code, and the phrases that fill them; none for English."""
    file = CATALOGS / f"problems_{lang}.toml"
    return tomllib.loads(file.read_text(encoding="utf-8")) if file.exists() else {}


def _told(sentence: str, template: str, translated: str, phrases: Words) -> str:
    found = _pattern(template).fullmatch(sentence)
    if found is None:
        return sentence
    filled = {name: _phrase(value, phrases) for name, value in found.groupdict().items()}
    told = translated.format(**filled)
    return told[:1].upper() + told[1:]


def _phrase(value: str, phrases: Words) -> str:
    """Put what fills a placeholder into the language; its first letter may open the sentence."""
    told = phrases.sentence(value)
    return told if told != value else phrases.sentence(value[:1].lower() + value[1:]) if value else value


@cache
def _pattern(template: str) -> re.Pattern[str]:
    parts, end, seen = [], 0, set[str]()
    for slot in _SLOT.finditer(template):
        parts.append(re.escape(template[end : slot.start()]))
        parts.append(f"(?P={slot[1]})" if slot[1] in seen else f"(?P<{slot[1]}>.*?)")
        seen.add(slot[1])
        end = slot.end()
    # The first letter of a sentence is written large, whatever it is in the rule.
    return re.compile("".join([*parts, re.escape(template[end:])]), re.DOTALL | re.IGNORECASE)
