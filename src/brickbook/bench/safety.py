"""Putting a bench safe: loads off, sinks out, source off, whatever happens in between."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from brickbook.bench.errors import LinkError
from brickbook.bench.stand import Stand
from brickbook.core.errors import BrickbookError

__all__ = ["SafeStep", "make_safe"]

_TRIES = 2


@dataclass(frozen=True, slots=True)
class SafeStep:
    """One thing switched off: whether it was read back as off, what went wrong, and whether only hands reach it."""

    what: str
    ok: bool
    error: str = ""
    by_hand: bool = False

    def fields(self) -> dict[str, object]:
        """For a journal."""
        return {"what": self.what, "ok": self.ok, "error": self.error}


def make_safe(stand: Stand) -> tuple[SafeStep, ...]:
    """Switch loads off, then take sinks out, then the source off; each is read back, none keeps another from it.

    Nothing is raised: what goes wrong stands in the steps. Loads come first, so that no charger is left loaded
    when its supply returns; the source comes last, and it comes whatever became of the loads.
    """
    done: list[SafeStep] = []
    for load in stand.loads:
        for port in load.channels:
            done.append(_tried(f"load {port} off", partial(load.off, port)))
            # a channel that somebody switches on at its front then draws nothing
            zero = _tried(f"load {port} to 0 A", partial(load.zero, port))
            done += [] if zero.ok else [zero]
    for sink in stand.sinks:
        done += [_tried(f"sink {port} out", partial(sink.detach, port)) for port in sink.channels]
    source = stand.source
    if source is not None:
        done.append(_tried("source off", source.off))
    for role, words in (("dc-load", "load off"), ("pd-sink", "sink out"), ("ac-source", "source off")):
        name = stand.hand_of(role)
        if name:
            error = "worked by hand: switch it off, nobody reads it"
            done.append(SafeStep(f"{words} ({name})", ok=False, error=error, by_hand=True))
    return tuple(done)


def _tried(what: str, act: Callable[[], object]) -> SafeStep:
    error = ""
    for _ in range(_TRIES):
        try:
            act()
        except LinkError as failure:
            error = str(failure)  # the link was opened anew meanwhile: once more
        except BrickbookError as failure:
            error = str(failure)
        except Exception as failure:  # noqa: BLE001 - nothing may keep the next step from being tried
            error = f"{type(failure).__name__}: {failure}"
        else:
            return SafeStep(what, ok=True)
    return SafeStep(what, ok=False, error=error)
