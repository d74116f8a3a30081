"""`brickbook publish`: reports and the site around them."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from brickbook.analysis.executor import Executor, executor_for
from brickbook.book import Book, push_book
from brickbook.commands.analyse import analyse_chargers
from brickbook.commands.common import BookOption, ClusterOption, console, progress, wanted, working_on
from brickbook.commands.pack import beside_reports
from brickbook.core.errors import BookError, Fault
from brickbook.publish.corrections import Correction, needs_reason
from brickbook.publish.pdf import print_pdf
from brickbook.publish.shared import publish_site
from brickbook.publish.site import Published, publish_chargers, site_folder

__all__ = ["publish"]

_TOLD = 4


def publish(
    *chargers: Annotated[str, Parameter(help="Folder names; none: all of the book.")],
    why: Annotated[str, Parameter(help="Reason, for readers, of what has changed since it was published.")] = "",
    draft: Annotated[bool, Parameter(help="Pages to look at: nothing is published.", negative="")] = False,
    force: Annotated[bool, Parameter(help="Also what has not changed.", negative="")] = False,
    pdf: Annotated[bool, Parameter(help="Also as PDF, printed by a browser on this machine.", negative="")] = False,
    appendices: Annotated[bool, Parameter(help="With --pdf: print what is folded too.", negative="")] = False,
    cluster: ClusterOption = "",
    push: Annotated[str, Parameter(help="Then put the whole book at this URL; what is there already is kept.")] = "",
    book: BookOption = Path(),
) -> int:
    """Write the reports and the site around them as plain files, into derived/report/.

    What is out of date is analysed first. Any web space can serve the folder, and it opens from a disk as well. What
    is published is recorded beside each charger; when a figure changes later, --why is needed and readers are told.
    """
    with ExitStack() as stack:
        opened = stack.enter_context(working_on(book, chargers))
        slugs = wanted(opened, chargers)
        executor = stack.enter_context(executor_for(cluster)) if cluster else None
        faults = analyse_chargers(opened, slugs, executor=executor)
        good = [s for s in slugs if s not in faults]
        held = _publish(opened, good, why, draft=draft, force=force, executor=executor)
        if held and _can_ask():
            _tell(held)
            answer = input(
                "Why did they change? Readers will see the answer; leave it empty to publish nothing: "
            ).strip()
            if answer:
                held = _publish(opened, [one.slug for one in held], answer, draft=draft, force=force)
        waiting = {one.slug for one in held}
        ready = [slug for slug in good if slug not in waiting]
        if not draft:
            beside_reports(opened, ready)
        site = publish_site(opened, draft=draft, held=sorted(waiting), force=force)
        if pdf:
            folder = site_folder(opened, draft=draft)
            printed = (print_pdf(folder / f"{s}.html", folder / f"{s}.pdf", appendices=appendices) for s in ready)
            for _ in progress(printed, len(ready), "printing", lambda path: path.name):
                pass
            site = publish_site(opened, draft=draft, held=sorted(waiting))  # the index leads to the printed copies
        for found in faults.values():
            for fault in found:
                sys.stderr.write(f"error: {fault}\n")
        for one in held:
            sys.stderr.write(f"error: {_held_fault(one)}\n")
        written = f"{site.made} files of the site were written, {site.unchanged} are as they were."
        console().print(f"{len(ready)} reports are up to date; {written}")
        console().print(f"The {'draft' if draft else 'site'} begins at: {site.index}")
        if push:
            console().print(f"{push_book(opened, push)} files sent to {push}")
        return 1 if faults or held else 0


def _publish(
    book: Book, slugs: Sequence[str], why: str, *, draft: bool, force: bool, executor: Executor | None = None
) -> list[Published]:
    """Publish, and give the chargers that wait for a reason."""
    done = publish_chargers(book, slugs, at=_now(), why=why, draft=draft, force=force, executor=executor)
    return [one for one in progress(done, len(slugs), "publishing", lambda one: one.slug) if one.status == "held"]


def _now() -> str:
    """Time of a publication; SOURCE_DATE_EPOCH decides where it is set, so that a build can be repeated."""
    stated = os.environ.get("SOURCE_DATE_EPOCH", "")
    if stated and not stated.isdecimal():
        problem = f'expected seconds since 1970, found "{stated}".'
        raise BookError(Fault("SOURCE_DATE_EPOCH", "environment", problem, "Unset it, or set a whole number."))
    moment = datetime.fromtimestamp(int(stated), UTC) if stated else datetime.now(UTC)
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ")


def _can_ask() -> bool:
    return sys.stdin.isatty() and sys.stderr.isatty()


def _tell(held: Sequence[Published]) -> None:
    for one in held:
        console().print(f"{one.slug}: what was published would change:")
        for change in _named(one.changes):
            console().print(f"  {_words(change)}")


def _held_fault(one: Published) -> Fault:
    changes = [change for change in one.changes if needs_reason(change)]
    named = "; ".join(_words(change) for change in _named(one.changes))
    more = f"; and {len(changes) - _TOLD} more" if len(changes) > _TOLD else ""
    problem = f"not published: {len(changes)} published figures or findings would change: {named}{more}."
    remedy = f'Say why, for readers: brickbook publish {one.slug} --why "..."; or look first, with --draft.'
    return Fault(f"chargers/{one.slug}", "", problem, remedy)


def _named(changes: Sequence[Correction]) -> list[Correction]:
    return [change for change in changes if needs_reason(change)][:_TOLD]


def _words(change: Correction) -> str:
    now = f"{change.old} becomes {change.new}" if change.new else f"{change.old} is gone"
    return f"{change.words}: {now}"
