"""Graphs without phases for people who do not know the starts, and the test of what they saw.

A rater sees each case as a line of ratings without phase marks, under a code, and says at which occasion
exposure most likely started. If exposure does nothing, the answers come out near the true starts no more
often than near any other permitted ones.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import permutations, product
from typing import Any

import numpy as np

from rungwise.basis.errors import NotEnoughData
from rungwise.basis.estimate import Estimate
from rungwise.series.phase_series import PhaseSeries
from rungwise.single_case.designs import MOST_LISTED, RandomStart
from rungwise.single_case.staggered_starts import StaggeredStarts
from rungwise.study.data import Study
from rungwise.study.plan import fingerprint

KEY_FORMAT = 1
COLUMNS = ("rater", "graph", "start", "comment")
INSTRUCTIONS = (
    "Each graph shows one child's ratings of fear, 0 at the foot. At some occasion a program of exposure "
    "began, which may or may not have done anything. Look at every graph and write the number of the "
    "occasion at which the program most likely began, one of those listed under the graph. Answer for "
    "every graph, also where you are not sure, before talking to anybody about it."
)


@dataclass(frozen=True, eq=False)
class MaskedCase:
    """One graph as raters see it.

    Attributes
    ----------
    graph : str
        Its code, such as ``"Graph B"``.
    series : PhaseSeries
        Ratings by occasion, all under one phase name that is not drawn.
    open_starts : tuple of int
        Occasions that exposure may have started at, the same for every graph where starts were
        shuffled.
    """

    graph: str
    series: PhaseSeries
    open_starts: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class MaskedStudy:
    """The graphs, and the key to be kept apart from them.

    Attributes
    ----------
    graphs : tuple of MaskedCase
        In the order of their codes.
    key : dict
        Plain values: which graph is which case, its true start, and the fingerprint of the graphs.
    """

    graphs: tuple[MaskedCase, ...]
    key: dict[str, Any]

    def key_text(self) -> str:
        """Give the text of the key's file."""
        return json.dumps(self.key, indent=2, ensure_ascii=False) + "\n"

    def sheet_rows(self) -> list[dict[str, str]]:
        """Give the rows raters fill in."""
        return [{"rater": "", "graph": one.graph, "start": "", "comment": ""} for one in self.graphs]


def mask_study(study: Study, *, rng: np.random.Generator) -> MaskedStudy:
    """Hide cases and phases of a study from raters.

    Parameters
    ----------
    study : Study
        With starts that were drawn at random.
    rng : numpy.random.Generator
        Shuffles the order of the graphs.

    Returns
    -------
    MaskedStudy

    Raises
    ------
    NotEnoughData
        If the design is not one whose starts were drawn at random.

    Examples
    --------
    >>> import numpy as np
    >>> from rungwise.study.rehearsal import invented_study
    >>> study = invented_study()
    >>> masked = mask_study(study, rng=np.random.default_rng(1))
    >>> [graph.graph for graph in masked.graphs], set(masked.graphs[0].series.phases)
    (['Graph A', 'Graph B', 'Graph C'], {'baseline'})
    """
    windows, shuffled = _windows(study)
    order = rng.permutation(len(study.cases)).tolist()
    graphs, entries = [], []
    for place, number in enumerate(order):
        one = study.cases[number]
        name = f"Graph {chr(ord('A') + place)}" if place < 26 else f"Graph {place + 1}"
        open_to = sorted({start for window in windows for start in window}) if shuffled else windows[number]
        series = PhaseSeries(
            one.series.values, ["baseline"] * len(one.series), one.series.times, one.series.declined,
            one.series.better, label=name, floor=one.series.floor, ceiling=one.series.ceiling,
        )  # fmt: skip
        graphs.append(MaskedCase(name, series, tuple(open_to)))
        entries.append(
            {"graph": name, "child_id": one.case.child_id, "ladder_id": one.case.ladder_id,
             "start": one.start, "window": list(windows[number])}
        )  # fmt: skip
    key = {
        "format": KEY_FORMAT,
        "only_for": "Keep apart from the graphs until all raters have answered.",
        "design_id": study.design_id,
        "shuffled": shuffled,
        "windows": [list(window) for window in windows],
        "graphs": entries,
        "graphs_sha256": fingerprint([_drawn(graph) for graph in graphs]),
    }
    return MaskedStudy(tuple(graphs), key)


def masked_test(key: Mapping[str, Any], answers: Sequence[Mapping[str, Any]]) -> list[Estimate]:
    """Test whether raters found the starts better than chance.

    Parameters
    ----------
    key : mapping
        The key kept apart, as `MaskedStudy.key`.
    answers : sequence of mapping
        Rows with ``rater, graph, start`` as raters filled them in.

    Returns
    -------
    list of Estimate
        One for each rater, in the order of their names, and one for all together where there are
        several. ``value`` is the mean distance, in occasions, between the answers and the true starts;
        p is the share of the permitted assignments that the answers lie as close to. ``statistic``
        names the rater; ``counts["found"]`` is how many starts were found exactly.

    Raises
    ------
    ValueError
        If an answer is for no graph, is no occasion open to it, is missing, or was given twice.

    Notes
    -----
    The answers depend on the ratings alone, since raters know nothing else; so under no effect they are
    independent of the draw, and the p-value is exact. It says whether something happened at the starts,
    not what. Permitted assignments alone are compared, so a rater's p has the design's own smallest value.

    Source: Ferron & Jones 2006, Journal of Experimental Education 75:66–81, for masked visual analysis
    with a randomization test; the distance as its statistic is this project's own.

    Examples
    --------
    >>> key = {"shuffled": False, "windows": [[4, 5, 6], [8, 9, 10]], "graphs": [
    ...     {"graph": "Graph A", "start": 9, "window": [8, 9, 10]},
    ...     {"graph": "Graph B", "start": 4, "window": [4, 5, 6]}]}
    >>> rows = [{"rater": "R1", "graph": "Graph A", "start": 9},
    ...         {"rater": "R1", "graph": "Graph B", "start": 4}]
    >>> (test,) = masked_test(key, rows)
    >>> round(test.p_value, 4), test.counts["found"]
    (0.1111, 2)
    """
    graphs = {entry["graph"]: entry for entry in key["graphs"]}
    given = _answers(key, graphs, answers)
    true = np.array([entry["start"] for entry in graphs.values()])
    permitted = _permitted(key, list(graphs.values()))
    results = [_distance_test(rater, guesses[None], true, permitted) for rater, guesses in given.items()]
    if len(given) > 1:
        results.append(_distance_test("all raters", np.stack(list(given.values())), true, permitted))
    return results


def read_key(text: str) -> dict[str, Any]:
    """Read a key back.

    Raises
    ------
    ValueError
        If the text is not a key.
    """
    try:
        key = json.loads(text)
        if key["format"] != KEY_FORMAT:
            raise KeyError("format")
    except (KeyError, TypeError, json.JSONDecodeError):
        raise ValueError("The file is not the key of a masked study.") from None
    return dict(key)


def _drawn(graph: MaskedCase) -> list[Any]:
    values = [None if math.isnan(value) else float(value) for value in graph.series.values]
    return [graph.graph, values, graph.series.declined.tolist(), list(graph.open_starts)]


def _windows(study: Study) -> tuple[list[list[int]], bool]:
    """Give, case by case, the window each case got, and whether windows were shuffled."""
    if study.design is None:
        raise NotEnoughData(f"A masked version needs starts that were drawn at random. {study.no_design}")
    if isinstance(study.design, StaggeredStarts):
        windows = [list(window) for window in study.design.windows]
        if not study.design.shuffled:
            return windows, False
        own = []
        for one in study.cases:
            own.append(next(window for window in windows if one.start in window))
        return own, True
    designs = study.design if isinstance(study.design, list) else [study.design]
    return [
        list(range(one.earliest, one.latest + 1)) for one in designs if isinstance(one, RandomStart)
    ], False


def _permitted(key: Mapping[str, Any], graphs: Sequence[Mapping[str, Any]]) -> np.ndarray:
    windows = [entry["window"] for entry in graphs]
    starts = math.prod(map(len, windows))
    orders = math.factorial(len(windows)) if key["shuffled"] else 1
    if starts * orders > MOST_LISTED:
        raise NotEnoughData(
            f"The design permits {starts * orders:,} assignments, more than can be listed for this test."
        )
    listed = np.array(list(product(*windows)))
    if key["shuffled"]:
        turned = np.array(list(permutations(range(len(windows)))))
        listed = listed[:, turned].reshape(-1, len(windows))
    return listed


def _answers(
    key: Mapping[str, Any], graphs: Mapping[str, Mapping[str, Any]], answers: Sequence[Mapping[str, Any]]
) -> dict[str, np.ndarray]:
    everything = sorted({start for window in key["windows"] for start in window})
    given: dict[str, dict[str, int]] = {}
    for number, row in enumerate(answers, start=2):
        rater, graph = str(row.get("rater") or "").strip(), str(row.get("graph") or "").strip()
        if not rater:
            raise ValueError(f"rater must be filled in on every row; row {number} has none.")
        if graph not in graphs:
            raise ValueError(f"graph must be one of {', '.join(graphs)}; row {number} has {graph!r}.")
        open_to = everything if key["shuffled"] else graphs[graph]["window"]
        try:
            start = int(str(row.get("start")).strip())
        except ValueError:
            start = -1
        if start not in open_to:
            listed = ", ".join(map(str, open_to))
            raise ValueError(
                f"start must be one of {listed}; row {number} ({rater}, {graph}) has {row.get('start')!r}."
            )
        if graph in given.setdefault(rater, {}):
            raise ValueError(f"rater {rater} answered twice for {graph}.")
        given[rater][graph] = start
    if not given:
        raise ValueError("answers must hold at least one row; got none.")
    for rater, own in given.items():
        missing = [graph for graph in graphs if graph not in own]
        if missing:
            raise ValueError(f"rater {rater} must answer for every graph; missing: {', '.join(missing)}.")
    return {rater: np.array([own[graph] for graph in graphs]) for rater, own in sorted(given.items())}


def _distance_test(rater: str, guesses: np.ndarray, true: np.ndarray, permitted: np.ndarray) -> Estimate:
    # The sum over raters and graphs, in whole occasions, so that ties are exact.
    distances = np.abs(permitted[:, None, :] - guesses[None]).sum(axis=(1, 2))
    own = int(np.abs(guesses - true).sum())
    as_close = int(np.sum(distances <= own))
    return Estimate(
        f"masked_start, {rater}",
        own / guesses.size,
        p_value=as_close / len(permitted),
        alternative="closer than chance",
        null="design",
        n=guesses.size,
        counts={
            "assignments": len(permitted),
            "as_close": as_close,
            "found": int(np.sum(guesses == true)),
            "smallest_p": float(np.unique(permitted, axis=0, return_counts=True)[1].min() / len(permitted)),
        },
        method=f"mean distance from the true starts; all {len(permitted):,} permitted assignments",
        unit="occasions",
        cautions=("It says that something happened at the starts, not what, nor how much.",),
    )
