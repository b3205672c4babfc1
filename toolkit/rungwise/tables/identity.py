"""What looks like a person's identity, which records kept under codes must not hold.

The patterns and the list of given names are a net with wide meshes (common practice, no source):
they catch what is typed by habit, not what is hidden.
"""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

from rungwise.tables.schema import plain, tidy

HIDDEN = "(not shown)"
SEARCHED = 2_000

_NAME, _BIRTH, _ADDRESS, _PHONE, _EMAIL, _RECORD = (
    "a name", "a birth date", "an address", "a phone number", "an email address", "a record number",
)  # fmt: skip

# Words of a header, alone or together with others.
_HEADER_WORDS = {
    **dict.fromkeys(("surname", "firstname", "lastname", "forename", "nickname", "initials"), _NAME),
    **dict.fromkeys(("dob", "birthdate", "birthday", "birth", "born"), _BIRTH),
    **dict.fromkeys(("address", "street", "postcode", "zipcode", "zip", "postal"), _ADDRESS),
    **dict.fromkeys(("phone", "telephone", "tel", "mobile", "cellphone", "fax"), _PHONE),
    **dict.fromkeys(("email", "mail"), _EMAIL),
    **dict.fromkeys(("mrn", "ssn", "nhs", "passport", "insurance", "medicaid", "policy"), _RECORD),
}
_PERSONS = frozenset(
    (
        "child", "childs", "client", "clients", "patient", "patients", "participant", "participants", "kid",
        "first", "last", "family", "given", "full", "middle", "parent", "parents", "mother", "mothers",
        "father", "fathers", "guardian", "therapist", "clinician", "rater", "observer", "teacher", "person",
    )
)  # fmt: skip
_RECORD_HEADERS = re.compile(
    r"(?:medical |hospital |patient |national )?(?:record|file|chart) (?:no|number|nr|id)"
    r"|(?:hospital|patient|member|national|social security) (?:no|number|nr)|national id|member id"
)

_IN_TEXT = (
    (_EMAIL, re.compile(r"(?<![\w.+-])[\w.+-]{1,64}@[\w-]{1,63}\.[A-Za-z]{2,}")),
    (
        _RECORD,
        re.compile(
            r"(?<![\d-])\d{3}-\d{2}-\d{4}(?![\d-])"
            r"|\b(?:mrn|nhs|ssn|(?:record|patient|policy) (?:no|number|nr))\b\W{0,3}\d{3}",
            re.IGNORECASE,
        ),
    ),
    (
        _BIRTH,
        re.compile(
            r"\b(?:born|dob|d\.o\.b|date of birth|birth ?date|birthday)\b[^\d]{0,12}\d", re.IGNORECASE
        ),
    ),
    (
        _PHONE,
        re.compile(
            r"(?<![\w.,-])(?:\+\d{1,3}[ .-]?)?\(?\d{2,5}\)?[ .-]\d{3,4}[ .-]?\d{3,4}(?![\w-])"
            r"|(?<![\w.,-])\d{3}[-.]\d{4}(?![\w-])|(?<!\w)\+\d{8,14}(?!\w)"
        ),
    ),
    (
        _ADDRESS,
        re.compile(
            r"\b\d{1,5}[a-z]?\s+(?:[A-Z]\w+\s+){1,3}"
            r"(?:Street|St|Avenue|Ave|Road|Rd|Lane|Ln|Drive|Boulevard|Blvd|Court|Terrace)\b"
        ),
    ),
    (_NAME, re.compile(r"\b(?:Mr|Mrs|Ms|Miss|Dr)\b\.?\s+[A-Z][a-z]+|\b[Nn]ame\s*:\s*[A-Z][a-z]+")),
)
_PLAIN_CODE = re.compile(r"[A-Za-z]{0,3}[-_.]?\d{1,6}")
_DAY_IN_CODE = re.compile(r"(?<!\d)(?:19|20)\d\d[-.]?(?:0[1-9]|1[0-2])[-.]?(?:0[1-9]|[12]\d|3[01])(?!\d)")
_WORD = re.compile(r"[^\W\d_]+(?:['’-][^\W\d_]+)*")
_TWO_NAMES = re.compile(r"[^\W\d_]{2,}[.,]?(?:\s+[^\W\d_]+\.?){1,3}")


def header_identity(header: str) -> str:
    """Say what a column seems to hold of a person's identity; ``""`` if nothing.

    Examples
    --------
    >>> header_identity("Child's name"), header_identity("DOB"), header_identity("Fear before")
    ('a name', 'a birth date', '')
    """
    words = plain(header).split()
    if words in (["name"], ["names"]) or ("name" in words and _PERSONS & set(words)):
        return _NAME
    if _RECORD_HEADERS.fullmatch(" ".join(words)):
        return _RECORD
    return next((_HEADER_WORDS[word] for word in words if word in _HEADER_WORDS), "")


def code_identity(code: str) -> str:
    """Say what a code seems to be instead; ``""`` if it may well be a code.

    Examples
    --------
    >>> code_identity("Miller, Anna"), code_identity("AM-2019-04-12"), code_identity("C014")
    ('a name', 'a birth date', '')
    """
    if _PLAIN_CODE.fullmatch(code):
        return ""
    if _DAY_IN_CODE.search(code):
        return _BIRTH
    if _TWO_NAMES.fullmatch(code) or code.casefold() in given_names() | ambiguous_names():
        return _NAME
    found = text_identity(code)
    if found:
        return found
    return _RECORD if re.fullmatch(r"[A-Za-z]{0,3}[ -]?\d{7,}", code) else ""


def text_identity(text: str) -> str:
    """Say what a text seems to hold of a person's identity; ``""`` if nothing.

    Examples
    --------
    >>> text_identity("call 555-0134"), text_identity("held on to Anna"), text_identity("windy, 3 steps")
    ('a phone number', 'a name', '')
    """
    text = text[:SEARCHED]
    for what, pattern in _IN_TEXT:
        if pattern.search(text):
            return what
    if text.islower() or len(text) < 3:
        return ""
    names = given_names()
    for word in _WORD.findall(text):
        if word[0].isupper() and word.casefold().removesuffix("'s").removesuffix("’s") in names:
            return _NAME
    return ""


def shown(value: str) -> str:
    """Give a cell's text as a report may show it.

    Examples
    --------
    >>> shown("7/10"), shown("anna@example.org")
    ('7/10', '(not shown)')
    """
    return HIDDEN if text_identity(tidy(value)) else value


@cache
def given_names() -> frozenset[str]:
    """Common given names that are hardly anything else."""
    return _listed_names()[0]


@cache
def ambiguous_names() -> frozenset[str]:
    """Given names that are words as well: names in place of a code, words in a remark."""
    return _listed_names()[1]


def _listed_names() -> tuple[frozenset[str], frozenset[str]]:
    text = Path(__file__).with_name("given_names.txt").read_text(encoding="utf-8")
    plainly, also = text.split("\n", 1)[1].split("# words as well\n")
    return frozenset(plainly.split()), frozenset(also.split())
