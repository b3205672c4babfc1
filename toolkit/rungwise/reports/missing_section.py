"""What is missing, whether it depends on how the child was doing, and how far it could move a headline."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from rungwise.agreement.missing import answer_bounds, missing_after_worse
from rungwise.audit.wording import percent
from rungwise.basis.page_numbers import format_bounded, format_number, format_p
from rungwise.reports.blocks import Block, Picture, bullets, paragraph, table
from rungwise.reports.words import ENGLISH, named, verdict_words
from rungwise.series.phase_series import PHASES

if TYPE_CHECKING:
    from rungwise.audit.audit import Audit
    from rungwise.basis.estimate import Estimate
    from rungwise.reports.catalog import Words
    from rungwise.series.caseload import Caseload
    from rungwise.single_case.child_answer import ChildAnswer

# Rows of a table of gaps on the page; the file has them all.
LISTED = 20


def child_missing(answer: ChildAnswer, say: Words = ENGLISH) -> list[Block | Picture]:
    """Give how many planned ratings are missing and where, and bound the verdict, NAP and Tau by them.

    Nothing where every planned occasion in the records has a rating or a decline.
    """
    if not any(ladder.series.n_missing for ladder in answer.ladders):
        return []
    rows = []
    for ladder in answer.ladders:
        series = ladder.series
        for phase in PHASES:
            here = series.phases == phase
            if not here.any():
                continue
            rated, declined = (
                int((series.usable & ~series.declined)[here].sum()),
                int(series.declined[here].sum()),
            )
            rows.append(
                {
                    say("missing.ladder"): named(ladder, say),
                    say("missing.phase"): say(f"agreement.phase.{phase}"),
                    say("missing.planned"): str(int(here.sum())),
                    say("missing.rated"): str(rated),
                    say("missing.declined"): str(declined),
                    say("missing.missing"): str(int(here.sum()) - rated - declined),
                }
            )
    numeric = [say(f"missing.{name}") for name in ("planned", "rated", "declined", "missing")]
    counted = table(rows, caption=say("missing.caption"), numeric=numeric)
    depends = _depends(missing_after_worse(*(ladder.series for ladder in answer.ladders)), say)
    return [counted, bullets([depends, *_bounds(answer, say)])]


def practice_missing(caseload: Caseload, audit: Audit) -> list[Block | Picture]:
    """Bound every headline of the audit by what is missing, and say whether it depends on the ratings."""
    found = audit.evidence
    rows = [
        {
            "Headline": row["words"][0].upper() + row["words"][1:],
            "Seen": _seen(row["headline"], row["value"]),
            "Of": row["n"],
            "Lowest": _seen(row["headline"], row["lowest"]),
            "Highest": _seen(row["headline"], row["highest"]),
            "Of all": row["of"],
            "What is missing": row["rests_on"],
        }
        for row in found.bounds.to_dict("records")
    ]
    blocks: list[Block | Picture] = [
        table(
            rows,
            caption="How far every headline could move with what is missing",
            numeric=["Seen", "Of", "Lowest", "Highest", "Of all"],
            notes=[
                "Lowest and highest put everybody not judged, and every missing level or score, outside "
                "and then inside; a missing rating of a judged child counts as a decline or as the best of "
                "the scale, which bounds NAP for certain and falls nearly: what lies in between can, if "
                "seldom, tip a verdict that neither end does. No result is taken from them, and nothing is "
                "filled in anywhere else. Planned occasions that nobody wrote down are not among the "
                "missing ratings.",
            ],
        )
    ]
    gaps = found.missing[found.missing["missing"] > 0].sort_values(
        "missing", ascending=False, kind="stable"
    )
    if len(gaps):
        more = f"{len(gaps) - LISTED} more stand in tables/missing_ratings.csv."
        blocks.append(
            table(
                [
                    {"Child": row["child_id"], "Ladder": row["ladder_id"] or "unnamed ladder",
                     "Phase": row["phase"].replace("_", "-"), "Planned": row["planned"],
                     "Missing": row["missing"]}
                    for row in gaps.head(LISTED).to_dict("records")
                ],
                caption="Where planned ratings are missing, children whose outcome was due",
                numeric=["Planned", "Missing"],
                notes=[more] if len(gaps) > LISTED else [],
            )
        )  # fmt: skip
    series = [
        caseload.series(child, ladder)
        for child in caseload.children
        for ladder in caseload.ladders(child)
        if caseload.outcomes(child)[0] == "fear"
    ]
    return [*blocks, paragraph(_depends(missing_after_worse(*series)))]


def _seen(headline: str, value: float) -> str:
    if math.isnan(value):
        return "–"
    if headline == "mean NAP":
        return format_bounded(value)
    return format_number(value) if "change of T" in headline else percent(value)


def _bounds(answer: ChildAnswer, say: Words) -> list[str]:
    bounds = answer_bounds(answer)
    if bounds is None:
        unrated = any(np.isnan(ladder.series.values).all() for ladder in answer.ladders)
        return [say("missing.no_rating" if unrated else "missing.no_bounds")]
    return [
        *(
            say(
                f"missing.{name}",
                verdict=verdict_words(verdict.code, answer, say),
                nap=format_bounded(verdict.size.value),
                tau=format_bounded(verdict.fell.value),
            )
            for name, verdict in (("worst", bounds.worst), ("best", bounds.best))
        ),
        say("missing.bounds"),
    ]


def _depends(estimate: Estimate, say: Words = ENGLISH) -> str:
    cautions = " ".join(map(say.sentence, estimate.cautions))
    if math.isnan(estimate.value):
        return say("missing.depends_unsaid", cautions=cautions)
    p = "" if math.isnan(estimate.p_value) else f" (p {format_p(estimate.p_value)})"
    said = say(
        "missing.depends", value=format_bounded(estimate.value), p=p, method=say.sentence(estimate.method)
    )
    return f"{said} {cautions}".strip()
