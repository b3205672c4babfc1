"""Working memory that is kept between calls, apart for each thread.

Counting kernels work through chunks of series with several arrays of a few hundred kilobytes.
Allocating them anew for every chunk lets page faults cost more than the counting, most of all under
allocators told to hand memory back at once.
"""

from __future__ import annotations

import math
import threading
from typing import Any

import numpy as np


class Scratch(threading.local):
    """Reusable arrays by name; shared between threads they would mix two calculations.

    Examples
    --------
    >>> scratch = Scratch()
    >>> scratch.array("totals", (2, 3), np.int32).shape
    (2, 3)
    """

    def __init__(self) -> None:
        self._held: dict[str, np.ndarray] = {}

    def array(self, name: str, shape: tuple[int, ...], kind: Any) -> np.ndarray:
        """Give an array with undefined content, valid until `name` is asked for again."""
        kind = np.dtype(kind)
        need = math.prod(shape) * kind.itemsize
        held = self._held.get(name)
        if held is None or len(held) < need:
            held = self._held[name] = np.empty(need, dtype=np.uint8)
        return held[:need].view(kind).reshape(shape)
