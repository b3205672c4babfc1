"""A practice's checked tables, and the planned series in them."""

from __future__ import annotations

from pathlib import Path

from rungwise.series.phase_series import PhaseSeries
from rungwise.tables.table import TableSet


class Caseload(TableSet):
    """Checked tables with the planned probe series of every child.

    Get one from `read_caseload`. Level 1 series come from ``ratings``.
    """

    @property
    def children(self) -> tuple[str, ...]:
        """Codes of the children with at least one planned rating, in alphabetical order."""
        return tuple(sorted(set(self.tables["ratings"]["child_id"].tolist())))

    def ladders(self, child_id: str) -> tuple[str, ...]:
        """Give the ladders on which a child has planned ratings (``""`` where no ladder is named)."""
        raise NotImplementedError

    def series(
        self, child_id: str, ladder_id: str | None = None, outcome: str | None = None
    ) -> PhaseSeries:
        """Give one child's planned ratings; `ladder_id` may be left out if there is only one."""
        raise NotImplementedError


def read_caseload(path: str | Path) -> Caseload:
    """Read and check a folder, a CSV file, a workbook or a Parquet folder."""
    raise NotImplementedError
