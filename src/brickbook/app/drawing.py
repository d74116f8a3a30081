"""Charts for the app's pages, drawn in a process of their own so that the server stays small, and kept for a while."""

from __future__ import annotations

import hashlib
import multiprocessing
import pickle
import threading
from collections import OrderedDict
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from functools import partial

from markupsafe import Markup

from brickbook.core.page import Chart

__all__ = ["Easel"]

_KEPT_BYTES = 24_000_000
_PATIENCE_S = 60.0


def _draw(chart: Chart, prefix: str) -> tuple[str, str]:
    from brickbook.publish.svg import page_drawings  # noqa: PLC0415 - the engine is loaded in this process alone

    made = page_drawings(chart, prefix)
    return made.wide, made.narrow


class Easel:
    """Draws charts by the report's own function, and remembers the last ones by their content."""

    def __init__(self) -> None:
        self._pool: ProcessPoolExecutor | None = None
        self._kept: OrderedDict[str, tuple[str, str]] = OrderedDict()
        self._bytes = 0
        self._lock = threading.Lock()

    def drawings(self, chart: Chart, number: int) -> dict[str, Markup]:
        """The chart, "wide" for a page and "narrow" for a telephone; `number` tells it from others on the page.

        Raises
        ------
        PublishError
            When it cannot be drawn.
        """
        prefix = f"c{number}"
        key = hashlib.sha256(pickle.dumps((chart, prefix))).hexdigest()
        with self._lock:
            found = self._kept.get(key)
            if found is not None:
                self._kept.move_to_end(key)
        if found is None:
            found = self._drawn(chart, prefix)
            with self._lock:
                if key not in self._kept:
                    self._kept[key] = found
                    self._bytes += sum(map(len, found))
                while self._bytes > _KEPT_BYTES:
                    _, old = self._kept.popitem(last=False)
                    self._bytes -= sum(map(len, old))
        return {"wide": Markup(found[0]), "narrow": Markup(found[1])}  # noqa: S704 - escaped where it was drawn

    def _drawn(self, chart: Chart, prefix: str) -> tuple[str, str]:
        for attempt in (1, 2):
            with self._lock:
                if self._pool is None:
                    # never by fork: the server has threads
                    self._pool = ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn"))
                pool = self._pool
            try:
                return pool.submit(partial(_draw, chart, prefix)).result(timeout=_PATIENCE_S)
            except BrokenProcessPool:
                with self._lock:
                    if self._pool is pool:
                        self._pool = None
                if attempt == 2:
                    raise
        raise AssertionError("one of the attempts returns or raises")

    def close(self) -> None:
        """Let the drawing process go."""
        with self._lock:
            if self._pool is not None:
                # waited for: one on its way out when the interpreter ends complains of closed pipes
                self._pool.shutdown(wait=True, cancel_futures=True)
                self._pool = None
