"""A second pair of eyes: switches the bench off over lines of its own when the runner has not moved for too long.

Every question to an instrument has a timeout, so a runner that stands still is stuck elsewhere: in a write to a disk
that does not answer, or in a fault of the program. It cannot put the bench safe itself then.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

__all__ = ["Watchdog"]

PATIENCE_S = 60.0  # longer than any single wait for an instrument


class Watchdog:
    """Watches from a thread while something is switched on.

    Parameters
    ----------
    act
        Puts the bench safe, over new lines; must not need anything of the runner.
    patience_s
        Longest time between two beats [s].
    """

    def __init__(self, act: Callable[[], object], patience_s: float = PATIENCE_S) -> None:
        self._act, self._patience_s = act, patience_s
        self._last = time.monotonic()
        self._armed = False
        self._end = threading.Event()
        self.bitten = False
        self._thread = threading.Thread(target=self._watch, name="watchdog", daemon=True)
        self._thread.start()

    def beat(self) -> None:
        """Say that the runner moves."""
        self._last = time.monotonic()

    def arm(self) -> None:
        """Something is being switched on."""
        self.beat()
        self._armed = True

    def disarm(self) -> None:
        """All is off."""
        self._armed = False

    def close(self) -> None:
        """Stop watching."""
        self._end.set()
        self._thread.join()

    def _watch(self) -> None:
        while not self._end.wait(min(1.0, self._patience_s / 4)):
            if self._armed and not self.bitten and time.monotonic() - self._last > self._patience_s:
                self.bitten = True
                self._act()
