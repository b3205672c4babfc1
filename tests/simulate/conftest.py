"""One simulated practice at the richest level, shared by the tests of this room."""

import numpy as np
import pytest
from rungwise.simulate.practice import SimulatedPractice, simulate_practice


@pytest.fixture(scope="session")
def practice() -> SimulatedPractice:
    return simulate_practice(np.random.default_rng(11), 120)
