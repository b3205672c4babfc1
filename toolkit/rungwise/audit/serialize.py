"""An audit as JSON and as CSV tables: full precision, the same bytes for the same audit."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterable
from dataclasses import asdict
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np

from rungwise.audit.audit import Audit
from rungwise.audit.charts import RUN_QUARTERS, TRIAL_QUARTERS
from rungwise.audit.digits import FEWEST as FEWEST_DIGITS
from rungwise.audit.signs import FEWEST
from rungwise.basis.estimate import Estimate
from rungwise.study.synthesis import ONE_LEFT, Synthesis
from rungwise.tables.outgoing import inert

if TYPE_CHECKING:
    import pandas as pd

VERSION = 1
WHY = "why_missing"
_encoded = json.JSONEncoder(ensure_ascii=False, allow_nan=False).encode
BYTE_ORDER_MARK = "\ufeff"


def audit_document(audit: Audit) -> dict[str, Any]:
    """Give an audit as plain values, in the shape of ``schemas/audit.schema.json``.

    A number that could not be worked out is None, with the reason in ``why_missing`` beside it.

    Examples
    --------
    >>> from rungwise.audit.audit import audit_quarter  # doctest: +SKIP
    >>> audit_document(audit_quarter(caseload, "2026Q3"))["quarter"]["label"]  # doctest: +SKIP
    '2026Q3'
    """
    return {
        "document": "rungwise audit",
        "version": VERSION,
        "edition": "practice",
        "practice": audit.label,
        "quarter": {
            "label": audit.quarter.label,
            "first": _plain(audit.quarter.first),
            "last": _plain(audit.quarter.last),
        },
        "as_of": _plain(audit.as_of),
        "recording_level": audit.quality.level,
        **{name: _plain(value) for name, value in asdict(audit.told).items()},
        "mean_nap": _estimate(audit.headline),
        "lasting": list(audit.lasting),
        "synthesis": _synthesis(audit.synthesis),
        "goal_change": None if audit.goals is None else _estimate(audit.goals),
        **{name: _rows(frame) for name, frame in audit_frames(audit).items()},
        "never_recorded": list(audit.quality.not_recorded),
        "safety": {
            "recorded": audit.safety.recorded,
            "occasions": audit.safety.occasions,
            "hours": _plain(audit.safety.hours),
            "occasions_with_minutes": audit.safety.minutes_of[0],
            WHY: "Hours of exposure were not recorded." if math.isnan(audit.safety.hours) else "",
        },
        "procedure": list(audit.quality.procedure),
        "late_entry": {"late": audit.quality.late[0], "of": audit.quality.late[1]},
        "cautions": list(audit.cautions),
    }


def audit_json(audit: Audit) -> str:
    """Write an audit as JSON."""
    return _written(audit_document(audit), "\n") + "\n"


def _written(value: Any, line: str) -> str:
    """Write plain values as JSON, indented by 2: what `json.dumps` writes, in a third of its time."""
    if isinstance(value, dict) and value:
        deeper = line + "  "
        entries = f",{deeper}".join(
            f"{_encoded(name)}: {_written(entry, deeper)}" for name, entry in value.items()
        )
        return f"{{{deeper}{entries}{line}}}"
    if isinstance(value, list | tuple) and value:
        deeper = line + "  "
        return f"[{deeper}{f',{deeper}'.join([_written(entry, deeper) for entry in value])}{line}]"
    return float.__repr__(value) if type(value) is float and math.isfinite(value) else _encoded(value)


def audit_frames(audit: Audit) -> dict[str, pd.DataFrame]:
    """Give the tables of an audit by the names they have in JSON and as files.

    Where a number of a row is missing, a column ``why_missing`` says why.
    """
    nobody = "Nobody was counted here, so there is no share to give."
    charts = audit.history[["center", "median"]].isna().all()
    no_limits = ""
    if charts.any():
        no_limits = f"The median needs {RUN_QUARTERS} quarters with judged children."
    if charts.all():
        no_limits = f"Limits of a chart need {TRIAL_QUARTERS} quarters with judged children."
    return {
        "flow": audit.flow,
        "verdicts": _explained(audit.shares, np.where(audit.shares["n"] == 0, nobody, "")),
        "ways_due": _explained(audit.beside, np.where(audit.beside["judged"] == 0, nobody, "")),
        "groups": audit.groups.rename(columns={"why_no_limits": WHY}),
        "signs": _explained(audit.signs.table, _why_no_sign(audit.signs.table)),
        "scores": _explained(audit.scores, np.where(audit.scores["n"] == 0, nobody, "")),
        **audit.evidence.frames(),
        "since_due": audit.since_due,
        "children": _explained(audit.children, _why_no_numbers(audit.children)),
        "standards": _explained(audit.standards, np.where(audit.standards["n"] == 0, nobody, "")),
        "history": _explained(audit.history, np.where(audit.history["judged"] == 0, nobody, no_limits)),
        "earlier_reports": _explained(audit.reaudit.quarters, _why_no_mean(audit.reaudit.quarters)),
        "earlier_standards": _explained(audit.reaudit.standards, _why_no_standard(audit.reaudit.standards)),
        "incidents": _explained(audit.safety.rates, _why_no_rate(audit.safety.rates)),
        "serious_incidents": audit.safety.serious,
        "actions": audit.actions,
        "to_discuss": audit.discuss,
        "completeness": audit.quality.completeness,
        "weeks": audit.quality.weeks,
        "digits": _explained(
            audit.quality.digits,
            np.where(audit.quality.digits["share"].isna(), f"Fewer than {FEWEST_DIGITS} ratings.", ""),
        ),
        "set_aside": audit.set_aside,
        "problems": audit.problems,
        "settings": audit.settings,
        "inputs": audit.inputs,
    }


def audit_csv(audit: Audit) -> dict[str, str]:
    """Write every table of an audit as CSV, by file name.

    UTF-8 with the mark spreadsheets need to know it; a text that a spreadsheet would take for a
    formula gets an apostrophe in front.
    """
    return {f"{name}.csv": table_csv(frame) for name, frame in audit_frames(audit).items()}


def table_csv(frame: pd.DataFrame) -> str:
    """Write one table as CSV.

    Examples
    --------
    >>> import pandas as pd
    >>> table_csv(pd.DataFrame({"site": ["=1+1", "Harbor"], "share": [0.5, float("nan")]}))
    "\\ufeffsite,share\\n'=1+1,0.5\\nHarbor,\\n"
    """
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(frame.columns)
    writer.writerows([_cell(value) for value in row] for row in frame.itertuples(index=False))
    return BYTE_ORDER_MARK + stream.getvalue()


def _explained(frame: pd.DataFrame, why: Iterable[str]) -> pd.DataFrame:
    return frame.assign(**{WHY: list(why)})


def _why_no_numbers(children: pd.DataFrame) -> list[str]:
    numbers = children[["nap", "nap_low", "nap_high", "tau", "p_value", "trend_p", "beyond", "beyond_low"]]
    gaps = numbers.isna().any(axis=1)
    why = []
    for stage, words, gap in zip(children["stage"], children["stage_words"], gaps, strict=True):
        if stage != "judged":
            why.append(f"Not judged: {words[0].lower()}{words[1:]}.")
        elif gap:
            why.append(
                "Some numbers cannot be estimated from these ratings; the child's own page says why."
            )
        else:
            why.append("")
    return why


def _why_no_rate(rates: pd.DataFrame) -> list[str]:
    missing = {
        "per_100": "Occasions were not recorded by this grouping.",
        "per_hour": "Hours of exposure were not recorded by this grouping.",
    }
    return [
        " ".join(why for column, why in missing.items() if math.isnan(row[column]))
        for row in rates.to_dict("records")
    ]


def _why_no_mean(table: pd.DataFrame) -> list[str]:
    nobody = table[["mean_nap_then", "mean_nap_now"]].isna().any(axis=1)
    return ["No child was judged, then or now." if none else "" for none in nobody]


def _why_no_standard(table: pd.DataFrame) -> list[str]:
    missing = table[["target_then", "share_then", "target_now", "share_now"]].isna().any(axis=1)
    return ["The standard was not set, or nobody was counted, then or now." if m else "" for m in missing]


def _why_no_sign(table: pd.DataFrame) -> list[str]:
    missing = {
        "approach_before": f"Fewer than {FEWEST} approach occasions in a phase.",
        "practice_change": "No practiced step has two rated trials beside the run that led upward.",
    }
    return [
        " ".join(why for column, why in missing.items() if math.isnan(row[column]))
        for row in table.to_dict("records")
    ]


def _synthesis(synthesis: Synthesis | None) -> dict[str, Any] | None:
    if synthesis is None:
        return None
    prediction = (synthesis.prediction_low, synthesis.prediction_high)
    return {
        "average": _estimate(synthesis.average),
        "prediction_low": _plain(float(prediction[0])),
        "prediction_high": _plain(float(prediction[1])),
        "tau2": _plain(float(synthesis.tau2)),
        "i2": _plain(float(synthesis.i2)),
        WHY: ONE_LEFT if math.isnan(prediction[0]) else "",
    }


def _rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    names = list(frame.columns)
    columns = [[_plain(value) for value in frame[name].tolist()] for name in names]
    return [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]


def _estimate(estimate: Estimate) -> dict[str, Any]:
    row = {
        name: _plain(getattr(estimate, name))
        for name in ("statistic", "value", "ci_low", "ci_high", "confidence", "n", "method")
    }
    return row | {WHY: " ".join(estimate.cautions)}


def _plain(value: Any) -> Any:
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return None if math.isnan(value) else value
    if isinstance(value, date):
        return None if value != value else value.isoformat()[:10]
    if isinstance(value, tuple | list):
        return [_plain(entry) for entry in value]
    return value


def _cell(value: Any) -> Any:
    value = _plain(value)
    if isinstance(value, str):
        return inert(value)
    if isinstance(value, float):
        return repr(value)
    return "" if value is None else value
