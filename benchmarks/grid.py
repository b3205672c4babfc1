"""The grid of simulated designs that the error rates and the calibration card share."""

from __future__ import annotations

import csv
import io
import platform
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
from rungwise.simulate.ratings import SimulatedRatings, simulate_ratings

BASELINES = (3, 4, 5, 6, 8, 10)
EXPOSURES = (5, 8, 12, 20, 30)
AUTOCORRELATIONS = (0.0, 0.2, 0.4, 0.6)
# Points an occasion; the baseline's course goes on through exposure.
TRENDS = {"none": 0.0, "mild": -0.1, "strong": -0.3}
STARTS = {"middle": 7.0, "near the floor": 3.0, "near the ceiling": 9.5}
SD = 1.2
DECLINE_AT = 9.6

AT_ONCE, IN_ALL = -1.5, -4.0
EFFECT_WORDS = {
    "none": "no effect",
    "standard": "a fall of 1.5 points at once that grows to 4 points by the last exposure occasion",
}


@dataclass(frozen=True)
class Design:
    """One cell of the grid: lengths, autocorrelation, course, place on the scale, effect."""

    n_baseline: int
    n_exposure: int
    phi: float
    trend: str
    place: str
    effect: str

    @property
    def start(self) -> float:
        """Latent fear at the first occasion; a strong trend starts higher, to have room to go on."""
        return 9.0 if self.trend == "strong" else STARTS[self.place]

    def simulate(self, rng: np.random.Generator, replications: int) -> SimulatedRatings:
        """Draw this cell."""
        has_effect = self.effect == "standard"
        return simulate_ratings(
            rng,
            replications,
            self.n_baseline,
            self.n_exposure,
            start=self.start,
            baseline_slope=TRENDS[self.trend],
            level_change=AT_ONCE if has_effect else 0.0,
            slope_change=(IN_ALL - AT_ONCE) / (self.n_exposure - 1) if has_effect else 0.0,
            sd=SD,
            phi=self.phi,
            # Declines only where fear is near the ceiling from the start; elsewhere they are rare.
            decline_at=DECLINE_AT if self.place == "near the ceiling" else None,
        )

    def as_row(self) -> dict[str, Any]:
        """Give the columns that say which cell it is."""
        return {
            **asdict(self),
            "start": self.start,
            "slope": TRENDS[self.trend],
            "effect_words": EFFECT_WORDS[self.effect],
        }


def designs(baselines: Sequence[int] = BASELINES, exposures: Sequence[int] = EXPOSURES) -> Iterator[Design]:
    """Give every cell: all trends in the middle of the scale, no trend near its ends."""
    courses = [
        *((trend, "middle", effect) for trend in TRENDS for effect in EFFECT_WORDS),
        ("none", "near the floor", "none"),
        ("none", "near the ceiling", "none"),
        ("none", "near the ceiling", "standard"),
    ]
    for n_baseline, n_exposure, phi, course in product(baselines, exposures, AUTOCORRELATIONS, courses):
        yield Design(n_baseline, n_exposure, phi, *course)


MODEL = (
    "Latent fear: start + slope x occasion + effect + AR(1) noise with standard deviation "
    f"{SD}, rounded to whole points and clipped to 0-10; the baseline's course goes on in exposure. "
    f"Near the ceiling, children decline with odds 1 at latent fear {DECLINE_AT}."
)


def write_table(
    path: Path,
    rows: Sequence[Mapping[str, Any]],
    title: str,
    seed: int,
    replications: int,
    command: str,
    model: str = MODEL,
) -> None:
    """Write a table with what is needed to make it again in its first lines."""
    import rungwise

    out = io.StringIO()
    for line in (
        title,
        f"Made by: {command}",
        f"Seed {seed}, {replications} replications a row; rungwise {rungwise.__version__}, "
        f"numpy {np.__version__}, Python {platform.python_version()}.",
        model,
    ):
        out.write(f"# {line}\n")
    writer = csv.DictWriter(out, fieldnames=list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    path.parent.mkdir(exist_ok=True)
    path.write_text(out.getvalue(), encoding="utf-8", newline="\n")
