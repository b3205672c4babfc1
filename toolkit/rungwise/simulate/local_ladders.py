"""Six invented ladders of life by the sea, for the demo practice and for simulations."""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True)
class LadderStep:
    """One step with the attributes that make it harder or easier.

    Attributes
    ----------
    activity : str
        What the child does.
    difficulty : float
        Difficulty in points of fear, above the first step of the same ladder.
    height_cm, width_cm : float
        Height of the feet above the ground and width of what is stood or moved on.
    support, position, direction, step_pattern, vision, surface : str
        As in the ``ladders`` table.
    """

    activity: str
    difficulty: float
    height_cm: float
    width_cm: float
    support: str
    position: str
    direction: str
    step_pattern: str
    vision: str
    surface: str


@dataclass(frozen=True)
class LocalLadder:
    """An ordered list of steps, easiest first, with the step that is probed."""

    ladder_id: str
    probe_step: int
    steps: tuple[LadderStep, ...]


# Difficulty, height and width in cm, support, position, direction, stepping, vision, surface.
# fmt: off
_TABLE = """\
dinghy 5
  Sit in the dinghy on its trailer|0|30|120|two hands|sitting|none|none|open|still
  Rock the dinghy on its trailer|1|30|120|two hands|sitting|sideways|none|open|still
  Sit in the moored dinghy, adult steadying it|2.2|5|120|two hands|sitting|none|none|open|moving
  Sit in the moored dinghy, adult aboard|3.1|5|120|one hand|sitting|sideways|none|open|moving
  Change seats in the moored dinghy|4.4|10|90|one hand|crouching|forward|step-to|open|moving
  Stand up in the moored dinghy|5.6|15|60|one hand|standing|none|none|open|moving
  Step from pontoon to dinghy and back|6.6|40|40|one hand|standing|forward|step-to|open|moving
  Rock the moored dinghy standing|7.8|15|60|none|standing|sideways|none|open|moving
gangway 5
  Stand at the top of the gangway|0|0|100|two hands|standing|none|none|open|still
  Two steps onto the gangway|1.1|1.3|100|two hands|standing|forward|step-to|open|slope
  A third of the way down|2|20|100|two hands|standing|forward|step-to|open|slope
  Half way down with an adult's hand|3.1|35|100|one hand|standing|forward|step-to|open|slope
  The whole gangway at high tide|4.2|50|100|one hand|standing|forward|reciprocal|open|slope
  The whole gangway at low tide|5.3|180|100|one hand|standing|forward|reciprocal|open|slope
  At low tide without the rail|6.5|180|100|none|standing|forward|reciprocal|open|slope
  At low tide while the pontoon moves|7.7|180|100|none|standing|forward|reciprocal|open|moving
net 4
  Lie on the net on the ground|0|0|200|whole body|lying|none|none|open|soft
  Crawl over the net on the ground|0.9|1.3|200|two hands|crawling|forward|none|open|soft
  Two rungs up, adult behind|2.1|40|200|two hands|standing|upward|step-to|open|moving
  Four rungs up|3.5|90|200|two hands|standing|upward|step-to|open|moving
  Six rungs up|4.7|140|200|two hands|standing|upward|reciprocal|open|moving
  Over the top beam|6.3|180|200|two hands|crouching|upward|step-to|open|moving
  Down the far side|7.2|180|200|two hands|standing|backward|step-to|open|moving
escalator 5
  Watch the escalator from the rail|0|0|100|two hands|standing|none|none|open|still
  Step over a line to a drumbeat|0.8|0|100|one hand|standing|forward|reciprocal|open|still
  Ride up holding both hands|2.4|300|100|two hands|standing|upward|step-to|open|moving
  Ride up holding one hand|3.3|300|100|one hand|standing|upward|step-to|open|moving
  Ride up holding the rail|4.2|300|100|rail|standing|upward|step-to|open|moving
  Ride down holding one hand|5.6|300|100|one hand|standing|downward|step-to|open|moving
  Ride down holding the rail|6.7|300|100|rail|standing|downward|step-to|open|moving
  Ride down alone, busy hour|7.8|300|100|rail|standing|downward|step-to|open|moving
swing 4
  Sit in the tire swing, feet on the ground|0|30|60|two hands|sitting|none|none|open|still
  Sit, feet just off the ground|1.2|31.3|60|two hands|sitting|none|none|open|moving
  Swing a hand's width|2.3|40|60|two hands|sitting|forward|none|open|moving
  Swing an arm's length|3.6|50|60|two hands|sitting|forward|none|open|moving
  Swing to knee height|4.7|60|60|two hands|sitting|forward|none|open|moving
  Swing to waist height|5.9|90|60|two hands|sitting|forward|none|open|moving
  Slow half turn, then back|6.8|60|60|two hands|sitting|rotary|none|open|moving
  Swing to waist height, eyes closed|8|90|60|two hands|sitting|forward|none|closed|moving
tandem 4
  Sit on the back seat, stand down|0|75|20|two hands|sitting|none|none|open|still
  Pushed along the wall, stand just clear|1.3|76.3|20|two hands|sitting|forward|none|open|moving
  Once round the empty yard at walking pace|2.7|76.3|20|two hands|sitting|forward|none|open|moving
  Twice round the yard, feet on the pedals|3.8|76.3|20|two hands|sitting|forward|reciprocal|open|moving
  Along the promenade|4.9|76.3|20|two hands|sitting|forward|reciprocal|open|moving
  Down the slipway, brakes on|6.4|76.3|20|two hands|sitting|downward|reciprocal|open|slope
  Promenade with turns|7.1|76.3|20|two hands|sitting|sideways|reciprocal|open|moving
"""
# fmt: on


def _read(text: str) -> tuple[LocalLadder, ...]:
    ladders: list[LocalLadder] = []
    for line in text.splitlines():
        if not line.startswith(" "):
            ladder_id, probe_step = line.split()
            ladders.append(LocalLadder(ladder_id, int(probe_step), ()))
            continue
        activity, *numbers_and_words = (cell.strip() for cell in line.split("|"))
        numbers = [float(cell) for cell in numbers_and_words[:3]]
        step = LadderStep(activity, numbers[0], numbers[1], numbers[2], *numbers_and_words[3:])
        ladders[-1] = replace(ladders[-1], steps=(*ladders[-1].steps, step))
    return tuple(ladders)


LADDERS = _read(_TABLE)
