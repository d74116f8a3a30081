"""A report as PDF, printed by a browser that is on the machine: its print style decides pages, heads and numbers."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

from brickbook.core.errors import Fault, PublishError

__all__ = ["find_browser", "print_pdf"]

_NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "microsoft-edge", "msedge")
_LIMIT_S = 180


def find_browser() -> str | None:
    """Path of a Chromium-like browser of the system; `None` when there is none."""
    return next((path for name in _NAMES if (path := shutil.which(name))), None)


def print_pdf(page: Path, into: Path, *, appendices: bool = False) -> Path:
    """Print a published report; returns the path of the PDF.

    Parameters
    ----------
    page
        The HTML file.
    into
        The PDF to write; one that is there is replaced.
    appendices
        Print what is folded too.

    Raises
    ------
    PublishError
        When there is no browser, or it does not print.
    """
    browser = find_browser()
    if browser is None:
        raise PublishError(
            Fault(
                str(into),
                "",
                "no browser was found to print with (Chromium or a relative of it).",
                _by_hand(page),
            )
        )
    with tempfile.TemporaryDirectory() as folder:
        source = page.resolve()
        if appendices:
            source = Path(folder) / page.name
            text = page.read_text(encoding="utf-8")
            source.write_text(text.replace("<details class=", "<details open class="), encoding="utf-8")
        made = Path(folder) / "made.pdf"
        command = [
            browser,
            "--headless",
            "--disable-gpu",
            *(["--no-sandbox"] if getattr(os, "geteuid", lambda: 1)() == 0 else []),  # it refuses to run as root else
            "--disable-background-networking",
            "--no-first-run",
            f"--user-data-dir={folder}/profile",
            "--no-pdf-header-footer",
            "--generate-pdf-document-outline",
            f"--print-to-pdf={made}",
            source.as_uri(),
        ]
        try:
            done = subprocess.run(command, capture_output=True, timeout=_LIMIT_S, check=False)  # noqa: S603 - our own words
        except (OSError, subprocess.TimeoutExpired) as error:
            raise PublishError(_failed(into, browser, page, str(error))) from error
        if done.returncode or not made.exists():
            said = done.stderr.decode(errors="replace").strip().splitlines()
            raise PublishError(_failed(into, browser, page, said[-1] if said else f"it ended with {done.returncode}"))
        data = made.read_bytes()
    into.write_bytes(data)
    return into


def _failed(into: Path, browser: str, page: Path, said: str) -> Fault:
    return Fault(str(into), "", f"{browser} did not print: {said}.", _by_hand(page))


def _by_hand(page: Path) -> str:
    return (
        f"Open {page.name} in any browser and print it from there: the same pages, with heads and page numbers as that "
        "browser sets them."
    )
