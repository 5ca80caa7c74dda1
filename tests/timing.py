"""How long our own work takes, whatever else the machine does: processor time of this process, the best of several runs."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any


def seconds(work: Callable[[], Any], *, runs: int = 5) -> float:
    """Processor seconds (user and system, all threads of this process) of the cheapest of `runs` calls."""
    return min(_once(work) for _ in range(runs))


def ratio(ours: Callable[[], Any], theirs: Callable[[], Any], *, runs: int = 7) -> float:
    """Cheapest run of ours over the cheapest of theirs, run by turns so that both meet the same neighbours."""
    pairs = [(_once(ours), _once(theirs)) for _ in range(runs)]
    return min(mine for mine, _ in pairs) / min(other for _, other in pairs)


def _once(work: Callable[[], Any]) -> float:
    began = time.process_time()
    work()
    return time.process_time() - began
