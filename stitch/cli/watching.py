"""`stitch check --watch`: what is said while the scans are made."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stitch.cli.console import answer, say

if TYPE_CHECKING:
    from stitch.model.plan import PlannedScan, ScanPlan
    from stitch.pipeline.watching import Landed, Unreadable

LOOK_EVERY_S = 1.0


def watched(
    inputs: Sequence[Path],
    plan: ScanPlan | None,
    folder: Path,
    chosen: dict[str, Any],
    *,
    wait: Callable[[], None] = lambda: time.sleep(LOOK_EVERY_S),
) -> int:
    """Watch the scans until the plan is complete or Ctrl-C; 0 when by then nothing is missing or to be made again."""
    from stitch.pipeline.check_files import write_check  # heavy: only for work
    from stitch.pipeline.watching import Landed, watch

    say(f"Looking at {inputs[0]} until {'the plan is complete' if plan else 'you stop it'} (Ctrl-C).")
    is_good, files = False, tuple[Path, ...]()
    try:
        for found in watch(inputs, plan, wait=wait, **chosen):
            tell(found, plan)
            if isinstance(found, Landed):
                files = write_check(found.checked, folder)
                is_good = found.checked.record.verdict.value == "good"
    except KeyboardInterrupt:
        say("Stopped looking." if is_good else "Stopped looking. Do not put the painting away yet.")
    for path in files:
        answer(str(path))
    return 0 if is_good else 1


def tell(found: Landed | Unreadable, plan: ScanPlan | None) -> None:
    """Say what landed, and which piece is next."""
    from stitch.pipeline.watching import Unreadable

    if isinstance(found, Unreadable):
        say(f"{found.path.name} has not changed for a while, and cannot be read: {found.message}")
        return
    record = found.checked.record
    again = set(record.scan_again)
    for name in found.gone:
        say(f"{name} is gone.")
    for scan in (scan for scan in record.scans if scan.scan_id in found.names):
        place = f" ({scan.place})" if scan.place else ""
        say(f"{scan.scan_id}{place}: {'scan it again.' if scan.scan_id in again else 'good.'}")
    for finding in found.findings():
        say(f"  {finding.message} {finding.advice}".rstrip())
    if found.is_complete:
        say("Every piece of the plan is there. Good to put away.")
    elif found.next is not None and plan is not None:
        say(f"Next: {_place(found.next, plan)} (scan {found.next.number}, {found.next.file_name}).")
    elif again:
        say(f"Still to be scanned again: {', '.join(record.scan_again)}.")


def _place(piece: PlannedScan, plan: ScanPlan) -> str:
    from stitch.check.positions import place_words

    return place_words(piece, plan) or "the only piece"
