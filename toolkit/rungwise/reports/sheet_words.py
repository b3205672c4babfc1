"""What recording sheets say beside the titles of the schemas: cautions, stop signs, how to type them in.

Pallor, sweating and wide pupils as signs to stop, and never persuading or coercing: Middletown Centre
for Autism. The signs at the neck, and new weakness or losses: budds.org.uk. Everything else is common
practice, no source. None of it is a clinical guideline. Have a pediatric therapist review any wording.
"""

from __future__ import annotations

import tomllib
from functools import cache

from rungwise.basis.errors import check_choice
from rungwise.reports.catalog import CATALOGS, LANGUAGES, Words

ENDS = ("no fear", "most fear ever")
OTHER_ENDS = ("none", "most ever")
THERMOMETER, OTHER_SCALE = "Fear thermometer", "Scale of {outcome}"
LADDER = "The ladder"
HOW = "How to"
SAME = "Always the same: {conditions}."
PROBE_STEP = "The step that is asked about every time"
USUAL = "usually {setting}"
DATE = "year-month-day"
SCALE = "{low} to {high}"
STOP_TITLE = "Stop at once"
STOP_SIGNS = ("turning pale", "sweating", "wide pupils", "dizziness", "nausea", "headache")
STOP_LATER = "Some come hours later: ask the family. Write down what happened."
CAUTIONS_TITLE = "Every time"
CAUTIONS = (
    "<b>The child can stop it</b> at any moment, by a word or sign agreed on first.",
    "<b>Never coerce</b>, coax or hold. A decline is a useful answer.",
    "<b>Supervise:</b> a trained adult within reach, a soft landing, equipment rated for the load.",
)
CLEARANCE = (
    "<b>Medical clearance first</b> where there are red flags, such as neck pain or an unusual head "
    "posture, new weakness, numbness, unsteady walking or loss of skill, new loss of bladder or bowel "
    "control, a recent injury or operation of head or neck, seizures that are not controlled."
)
DEFER = (
    "Local codes and licensed practice decide. Not a clinical guideline, not complete. Have a pediatric "
    "therapist review any wording. Pallor, sweating, wide pupils, no coercing: Middletown Centre for "
    "Autism; neck signs, new losses: budds.org.uk; the rest is common practice, no source."
)

HOME_STOP_TITLE = "Stop at once if your child"
HOME_STOP_SIGNS = ("turns pale", "sweats", "has big pupils", "is dizzy", "feels sick", "has headache")
HOME_STOP_LATER = "Some signs come hours later. Tell your therapist."
HOME_CAUTIONS = (
    "<b>Your child can stop it</b> any time, by a word or sign agreed on first.",
    "<b>Never push, bargain or hold.</b> “No” is a good answer.",
    "<b>An adult within reach</b>, a soft landing, no spinning, nothing upside down.",
    "<b>See a doctor first</b> for neck pain or an odd head posture, new weakness, numbness or wobbly "
    "walking, new wetting or soiling, a head or neck injury or operation, or seizures.",
)
HOME_DEFER = (
    "Your therapist and local rules decide. Common practice, not a clinical guideline, not complete. "
    "Have a pediatric therapist review any wording."
)

INCIDENTS = "Nothing happened: tick here. More than fits: another sheet."
HOME_INCIDENTS = "Nothing happened: tick here"
TYPE_IN = "Type each line into the sheet “{table}” of the workbook: same titles, same order."
TYPE_NONE = " If nothing happened on any sheet, write “none” in the first row of “incidents”."
CODES_ONLY = "Confidential. Codes only: no name, birth date, address or phone number."
HOME_CODES_ONLY = "Please write no name, address or phone number here. Give the sheet to your therapist."
MORE_STEPS = "Steps {first} to {last} of {n} are shown here."
ON_SCREEN = (
    "To print: paper {paper}, upright, scale 100 %, without headers and footers. This line is not printed."
)
NO_PDF = (
    "No PDF was made, because no browser on this computer could print it. Open {page} in any browser and "
    "print it: paper {paper}, upright, scale 100 %, without headers and footers."
)


@cache
def sheet_words(lang: str) -> Words:
    """Give what puts the words of a home sheet into a language; English stays as it is.

    Raises
    ------
    ValueError
        If there is no catalog of that language.

    Examples
    --------
    >>> sheet_words("es").sentence("Fear before"), sheet_words("en").sentence("Fear before")
    ('Miedo antes', 'Fear before')
    """
    check_choice("lang", lang, LANGUAGES)
    if lang == "en":
        return Words("en", {})
    pairs = tomllib.loads((CATALOGS / f"home_sheet_{lang}.toml").read_text(encoding="utf-8"))
    return Words(lang, {}, tuple(pairs.items()))
