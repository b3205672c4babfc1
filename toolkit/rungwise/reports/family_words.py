"""What the sheet for a family says, in short words: every sentence of it stands here.

Written to be read at about the age of 12; a test measures it.
"""

from __future__ import annotations

# The answer, by verdict code. {fear} is what was rated; the other words turn with its better direction.
ANSWERS = {
    "fell_beyond_baseline": (
        "Your child's {fear} {went_down}. It {went_down} more than it would have if things had gone on as "
        "before."
    ),
    "fell_baseline_may_explain": (
        "Your child's {fear} {went_down}. It was already {going_down} before we began, so we cannot tell "
        "yet what helped."
    ),
    "fell_short_baseline": (
        "Your child's {fear} {went_down}. We know too little about the time before we began to say what "
        "helped."
    ),
    "no_clear_change": "So far we see no clear change in your child's {fear}.",
    "about_the_same": "Your child's {fear} stayed about the same.",
    "rose": "Your child's {fear} {went_up}. Let us talk about why.",
    "too_few": "We do not have enough ratings yet to say how your child's {fear} is doing.",
    "no_room": "Your child's {fear} was {low} from the start, so there was little room for it to change.",
}
LOWER = {"went_down": "went down", "going_down": "going down", "went_up": "went up", "low": "low",
         "lower": "lower", "higher": "higher"}  # fmt: skip
HIGHER = {"went_down": "went up", "going_down": "going up", "went_up": "went down", "low": "high",
          "lower": "higher", "higher": "lower"}  # fmt: skip

SURE = (
    "Take one rating from before we began and one from after. The later one was {compared} about {tenths} "
    "times out of 10. If nothing had changed, it would be about 5 times out of 10."
)
LADDERS = "This counts all {number} ladders your child works on."

FACED = "Your child faced the same step {times} and told us how it felt."
FACED_SEVERAL = "Your child faced the planned steps {times} and told us how it felt."
FROM_TO = "Before we began, most ratings were around {before}. The last three were around {after}."
BEST = "The best rating since we began was {best}. Before we began, it was {before}."
FEWER_DECLINES = "Your child said no {before} before we began and {after} since then."
DECLINES_COUNT = "Your child said no {times}. Saying no is a brave and useful answer, too."

NEXT = {
    "fell_beyond_baseline": (
        "Will it last? We will ask about the same step again later on.",
        "What helped? If we start on a second ladder at another time, we can learn that.",
    ),
    "fell_baseline_may_explain": (
        "What helped? If we start on a second ladder at another time, we can learn that.",
        "Will it last? We will ask about the same step again later on.",
    ),
    "fell_short_baseline": (
        "What helped? On the next ladder we will first take more ratings before we begin.",
        "Will it last? We will ask about the same step again later on.",
    ),
    "no_clear_change": (
        "Do we need more time? A few more ratings at the same step may show it.",
        "Was the step the same each time, and did we ask in the same way?",
    ),
    "about_the_same": (
        "Is this the right step? We can talk about an easier one or a new one.",
        "Was the step the same each time, and did we ask in the same way?",
    ),
    "rose": (
        "What else happened? A fall, an illness, a new place or a step that came too soon can do this.",
        "Is this step too hard for now? We can talk about an easier one.",
    ),
    "too_few": ("How will it go on? We need more ratings at the same step before we can say.",),
    "no_room": ("Is there a step that matters more to your child? We can start with that one.",),
}

GOOD_TO_KNOW = (
    "Your child may say no at any time, and nobody will push.",
    "Tell us if your child has a headache, feels sick or feels dizzy, even hours later.",
    "At home, only try what we have planned with you, and stay close by.",
    "This page helps us talk. It does not decide what comes next. Your child, you and the therapist do.",
)

GRAPH = {
    "baseline": "before we began",
    "exposure": "since we began",
    "maintenance": "later on",
    "follow_up": "much later",
    "declined": "said no",
    "missing": "no rating",
    "day": "Day",
    "occasion": "Rating number",
    "projection": "",
    "band": "",
    "median": "",
    "theil_sen": "",
}
CAPTION = "Each dot is one rating. {better} is better.{declines}"
CAPTION_DECLINES = " A cross means that your child said no."

HEADINGS = {
    "picture": "The picture",
    "well": "What went well",
    "next": "What we want to find out next",
    "know": "Good to know",
    "file": "For the file",
}
