"""The command line: names of the verbs, and what an error looks like. The verbs themselves are in `commands/`."""

from __future__ import annotations

import os
import sys

from cyclopts import App, CycloptsError

from brickbook import __version__
from brickbook.core.errors import BrickbookError

__all__ = ["app", "main"]

app = App(
    name="brickbook",
    version=__version__,
    help="The bench book of an independent tester of USB-C chargers.\n\n"
    "Nothing here says that a charger is safe: certification, local codes and licensed practice decide.",
)

# Each verb is loaded only when it is used, so that help and light verbs start at once.
_VERBS = {
    "demo": ("demo:demo", "Make an example book, analyse it and publish it."),
    "new": ("new:app", "Begin a book, or a charger in a book."),
    "plan": ("plan:plan", "Plan the tests of a charger, in order and with their time."),
    "bench": ("bench:app", "Look at the bench, and speak to a run that is under way."),
    "run": ("run:run", "Do a charger's plan on the bench."),
    "simulate": ("simulate:simulate", "Start a bench in software, to try a plan or a program on."),
    "import": ("import_:import_files", "Take an instrument's files into a charger's raw folder."),
    "analyse": ("analyse:analyse", "Make figures and findings from the raw files."),
    "show": ("show:show", "Show a charger's figures and findings."),
    "compare": ("compare:compare", "Compare the chargers of a book in one figure."),
    "agree": ("agree:agree", "Join several testers' books and packs, and see whether they agree."),
    "choose": ("choose:choose", "Choose a charger for a set of devices."),
    "figures": ("figures:figures", "Draw the charts for video and posts, and write the cue sheet."),
    "pack": ("pack:pack", "Write a charger's data pack."),
    "publish": ("publish:publish", "Write reports and the index."),
    "serve": ("serve:serve", "Serve the book to a browser on this computer."),
    "cable": ("cable:cable", "What a cable leaves at the device."),
    "limits": ("limits:limits", "List the published limits for a nameplate."),
    "usbpd": ("usbpd:usbpd", "Decode USB Power Delivery words."),
}
for _name, (_path, _help) in _VERBS.items():
    app.command(f"brickbook.commands.{_path}", name=_name, help=_help)


def main() -> None:
    """Run a verb; exit 0 when done, 1 when something is wrong with the input, 2 for wrong usage."""
    sys.exit(run(sys.argv[1:]))


def run(tokens: list[str]) -> int:
    """Run a verb and return its exit code; an error is printed, never a traceback."""
    try:
        result = app(tokens, exit_on_error=False, print_error=True, result_action="return_value")
    except CycloptsError:
        return 2
    except BrickbookError as error:
        for fault in error.faults:
            print(f"error: {fault}", file=sys.stderr)  # noqa: T201
        return 1
    except BrokenPipeError:
        # the reader of our output has gone; do not complain again at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except OSError as error:
        # a disk that is full or read-only wherever it was met; what is written whole stays whole
        why = error.strerror or str(error)
        print(f"error: {error.filename or 'the disk'}: {why[:1].lower()}{why[1:]}.", file=sys.stderr)  # noqa: T201
        return 1
    except KeyboardInterrupt:
        print("stopped", file=sys.stderr)  # noqa: T201
        return 130
    return result if isinstance(result, int) else 0
