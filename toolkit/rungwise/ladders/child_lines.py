"""What the records of a child's ladder say in a line or two each: approach and mastery."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from rungwise.basis.page_numbers import format_bounded, format_p
from rungwise.ladders.approach import approach_scores, approach_tau_batch
from rungwise.ladders.mastery import MASTERED, mastery_episodes
from rungwise.ladders.standing import Standing, standing
from rungwise.tables.table import TableSet

# What the lines say; pages in other languages bring their own.
WORDS = {
    "mastery.some": "Mastered so far by that criterion: {steps}.",
    "mastery.none": "No step is mastered so far by that criterion.",
    "mastery.lost": "Mastered and lost again: {steps}.",
    "mastery.stalled": "Offered since exposure began and not mastered: {steps}.",
    "mastery.step": "step {step}",
    "mastery.step_after": "step {step} (on occasion {n})",
    "mastery.step_over": "step {step} ({n} so far)",
    "mastery.occasions.one": "{n} occasion",
    "mastery.occasions.many": "{n} occasions",
}
NOT_LASTING = "Mastered is a word about the program, not about fear next month."


@dataclass(frozen=True)
class ChildMastery:
    """What became of the steps a child practiced on one ladder.

    Attributes
    ----------
    child_id, ladder_id : str
    mastered : tuple of (int, int)
        Steps mastered and not lost again, each with the occasion on which it was.
    lost : tuple of int
        Steps mastered and lost again.
    stalled : tuple of (int, int)
        Steps practiced and not mastered, each with its occasions so far.
    """

    child_id: str
    ladder_id: str
    mastered: tuple[tuple[int, int], ...]
    lost: tuple[int, ...]
    stalled: tuple[tuple[int, int], ...]

    def sentences(self, words: Mapping[str, str] = WORDS) -> list[str]:
        """Say it in plain sentences.

        Examples
        --------
        >>> for said in ChildMastery("C1", "wall", ((1, 2), (2, 5)), (), ((3, 4),)).sentences():
        ...     print(said)
        Mastered so far by that criterion: step 1 (on occasion 2), step 2 (on occasion 5).
        Offered since exposure began and not mastered: step 3 (4 occasions so far).
        """
        told = []
        if self.mastered:
            steps = [words["mastery.step_after"].format(step=step, n=n) for step, n in self.mastered]
            told.append(words["mastery.some"].format(steps=", ".join(steps)))
        elif not self.lost:
            told.append(words["mastery.none"])
        if self.lost:
            steps = [words["mastery.step"].format(step=step) for step in self.lost]
            told.append(words["mastery.lost"].format(steps=", ".join(steps)))
        if self.stalled:
            steps = [
                words["mastery.step_over"].format(
                    step=step,
                    n=words[f"mastery.occasions.{'one' if n == 1 else 'many'}"].format(n=n),
                )
                for step, n in self.stalled
            ]
            told.append(words["mastery.stalled"].format(steps=", ".join(steps)))
        return told


def mastery_of(tables: TableSet, child_id: str) -> tuple[ChildMastery, ...]:
    """Give what became of each step a child practiced, ladder by ladder.

    Parameters
    ----------
    tables : TableSet
        With ``observations``.
    child_id : str

    Returns
    -------
    tuple of ChildMastery
        Empty where no practice was recorded.
    """
    episodes = mastery_episodes(tables, child_id=child_id)
    if episodes is None:
        return ()
    episodes = episodes.where(episodes.practiced)
    found = []
    for ladder in dict.fromkeys(episodes.ladder_id.tolist()):
        own = episodes.where(episodes.ladder_id == ladder)
        mastered, lost = own.result == MASTERED, ~np.isnat(own.lost_on)

        def steps(mask: np.ndarray, own: object = own) -> tuple[tuple[int, int], ...]:
            chosen = own.where(mask)  # type: ignore[attr-defined]
            return tuple((int(s), int(n)) for s, n in zip(chosen.step, chosen.occasions, strict=True))

        kept, gone = steps(mastered & ~lost), tuple(step for step, _ in steps(mastered & lost))
        found.append(ChildMastery(child_id, ladder, kept, gone, steps(~mastered)))
    return tuple(found)


def ladder_lines(tables: TableSet, child_id: str) -> list[str]:
    """Give what the printed answer says of the child's ladders, in a few sentences.

    Parameters
    ----------
    tables : TableSet
    child_id : str

    Returns
    -------
    list of str
        Empty where no trials were recorded.
    """
    approaches = approach_scores(tables, child_id=child_id)
    lines = []
    for one, tau in zip(approaches, approach_tau_batch(approaches) if approaches else (), strict=True):
        phases = [
            ", ".join(f"{score:g}" for score in one.series.of(name)) for name in ("baseline", "exposure")
        ]
        if not all(phases):
            continue
        top = "" if one.series.ceiling is None else f" of {one.series.ceiling:g} steps"
        tested = (
            "too few to test"
            if np.isnan(tau.p_value)
            else f"Tau {format_bounded(tau.value)}, p {format_p(tau.p_value)}; such numbers could at best "
            f"have given p {format_p(tau.counts['smallest_p'])}"
        )
        lines.append(
            f"Approach on the {one.ladder_id}: highest step done {phases[0]} in baseline, {phases[1]} in "
            f"exposure{top} ({tested})."
        )
    stands = {one.ladder_id: one for one in standing(tables, child_id=child_id)}
    for mastery in mastery_of(tables, child_id):
        lines.append(_mastery_line(mastery, stands[mastery.ladder_id]))
    return lines


def printed_lines(tables: TableSet, child_id: str, width: int = 96) -> list[str]:
    """Give `ladder_lines` under their heading, wrapped for the printed answer; empty where there are none.

    Parameters
    ----------
    tables : TableSet
    child_id : str
    width : int
        Characters a line.

    Returns
    -------
    list of str
    """
    lines = []
    for said in ladder_lines(tables, child_id):
        lines += textwrap.wrap(said, width, initial_indent="  - ", subsequent_indent="    ")
    return ["", "On the ladder", *lines] if lines else []


def _mastery_line(mastery: ChildMastery, stands: Standing) -> str:
    steps = ", ".join(str(step) for step, _ in mastery.mastered) or "none"
    lost = f"; mastered and lost again: {', '.join(map(str, mastery.lost))}" if mastery.lost else ""
    of = f" of {stands.steps}" if stands.steps else ""
    met = "met" if stands.criterion_met else "not met"
    return (
        f"Steps of the {mastery.ladder_id} mastered by the practice's own criterion: {steps}{lost}. Last "
        f"practiced: step {stands.step}{of}, criterion {met} there. {NOT_LASTING}"
    )
