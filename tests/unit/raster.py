"""Whether one can get from some cells of a raster to others: a plain flood over neighbours on all eight sides."""

from __future__ import annotations

from collections import deque

import numpy as np
from numpy.typing import NDArray

Cells = NDArray[np.bool_]


def leads(free: Cells, starts: Cells, goals: Cells) -> bool:
    """Whether a way over free cells joins a start and a goal; `starts` and `goals` are free cells themselves."""
    todo = deque(map(tuple, np.argwhere(starts)))
    seen = {*todo}
    while todo:
        i, j = todo.popleft()
        if goals[i, j]:
            return True
        for di in (-1, 0, 1):
            for dj in (-1, 0, 1):
                at = (i + di, j + dj)
                if at not in seen and 0 <= at[0] < free.shape[0] and 0 <= at[1] < free.shape[1] and free[at]:
                    seen.add(at)
                    todo.append(at)
    return False
