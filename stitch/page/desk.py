"""What the page sees and changes: the job's state as JSON values, and the changes that may be asked for."""

from __future__ import annotations

import contextlib
import shlex
from collections.abc import Callable, Mapping
from typing import Any

from stitch.errors import StitchError
from stitch.imaging.affine import FloatArray
from stitch.model.ties import Apart, Distance, Tie, ordered
from stitch.page.asked import Asked, NotUnderstood
from stitch.page.ledger import Change, Entry, Outdated
from stitch.page.lying import places
from stitch.page.opened import OpenJob
from stitch.page.pairs import Snaps, doubts, pair_plain, placed
from stitch.page.wanted import groups, tie_counts, wanted
from stitch.page.watch import Watch


class Desk:
    """One job on the table. Safe to use from several threads."""

    def __init__(self, job: OpenJob, watch: Watch) -> None:
        self.job = job
        self._watch = watch
        self._snaps = Snaps()
        self._kinds: dict[str, Callable[[Asked], Change]] = {
            "tie": self._tie,
            "untie": lambda asked: self._removal(asked, self.job.ledger.book.ties),
            "apart": self._apart,
            "touching": self._touching,
            "distance": self._distance,
            "undistance": lambda asked: self._removal(asked, self.job.ledger.book.distances),
        }

    def state(self) -> dict[str, Any]:
        """The scans, what hangs together, and what is wanted next. Raises UsageError when ties.csv is bad."""
        job, book = self.job, self.job.ledger.book
        found = groups(job.names, job.known, book)
        next_pairs = wanted(job.names, job.known, book, job.guess, doubts(job, self._snaps, book))
        lying = places(job.known, book, dict(zip(job.names, job.ppi, strict=True)))
        number = {name: n for n, name in enumerate(job.names)}
        return {
            "revision": job.ledger.revision,
            "job": job.name,
            "stopped": job.known.stopped,
            "scans": [self._scan_plain(n, found, lying) for n in range(len(job.scans))],
            "is_grid": job.guess.is_grid,
            "links": [[number[link.scan_a], number[link.scan_b], link.is_weak] for link in job.known.links],
            "ties": [[number[a], number[b], count] for (a, b), count in tie_counts(book).items()],
            "apart": [[number[one.scan_a], number[one.scan_b]] for one in book.apart],
            "wanted": [
                {"a": number[one.scan_a], "b": None if one.scan_b is None else number[one.scan_b], "said": one.said}
                for one in next_pairs
            ],
            "can_undo": job.ledger.can_undo,
            "can_redo": job.ledger.can_redo,
            "next_command": f"stitch join {shlex.quote(job.name)}",
        }

    def notice(self) -> None:
        """Tell all pages when something was changed elsewhere; what cannot be read is told when it is asked for."""
        with contextlib.suppress(StitchError):
            self._watch.tell(self.job.notice())

    def pair(self, a: int, b: int) -> dict[str, Any]:
        """Everything there is to see of two scans."""
        return pair_plain(self.job, self._snaps, self.job.ledger.book, a, b)

    def change(self, body: dict[str, Any]) -> dict[str, Any]:
        """Make the change that a page asks for; the state afterwards, and which pair it was about.

        Raises NotUnderstood, Outdated, StitchError; then nothing was changed.
        """
        asked = Asked(body, [scan.size for scan in self.job.scans])
        revision = asked.number("revision", 2**53)
        if asked.what == "undo":
            entry = self.job.ledger.undo(revision)
        elif asked.what == "redo":
            entry = self.job.ledger.redo(revision)
        elif asked.what in self._kinds:
            self._require_current(revision)
            change = self._kinds[asked.what](asked)
            self.job.ledger.make(change, revision)
            entry = change.entry
        else:
            raise NotUnderstood("That is nothing that can be changed.")
        self._watch.tell(self.job.ledger.revision)
        return {"state": self.state(), "about": None if entry is None else self._about(entry)}

    def _require_current(self, revision: int) -> None:
        """Before the fine search takes its time."""
        if self.job.ledger.book is None or self.job.ledger.revision != revision:
            raise Outdated

    def _scan_plain(self, number: int, found: list[list[str]], lying: Mapping[str, FloatArray]) -> dict[str, Any]:
        scan, tiled = self.job.scans[number], self.job.tiled[number]
        return {
            "name": scan.scan_id,
            "width": scan.size.width_px,
            "height": scan.size.height_px,
            "levels": tiled.level_count,
            "ppi": self.job.ppi[number],
            "place": lying[scan.scan_id].tolist() if scan.scan_id in lying else None,
            "cell": self.job.guess.cells.get(scan.scan_id),
            "group": next(n for n, group in enumerate(found) if scan.scan_id in group),
        }

    def _tie(self, asked: Asked) -> Change:
        asked.pair()
        a, b = asked.point("a", "a_px"), asked.point("b", "b_px")
        names = self.job.names
        if ordered(names[a.scan], names[b.scan]) in self.job.ledger.book.apart_pairs():
            raise NotUnderstood("These two are marked as not touching. Take that back first.")
        clicked = Tie(names[a.scan], a.px, names[b.scan], b.px)
        kept = placed(self.job, self._snaps, clicked, asked.turn_deg())
        if kept in self.job.ledger.book.ties:
            raise NotUnderstood("That tie is there already.")
        return Change(kept, is_added=True)

    def _removal(self, asked: Asked, entries: tuple[Tie, ...] | tuple[Distance, ...]) -> Change:
        return Change(entries[asked.number("at", len(entries))], is_added=False)

    def _apart(self, asked: Asked) -> Change:
        a, b = asked.pair()
        name = ordered(self.job.names[a], self.job.names[b])
        if name in tie_counts(self.job.ledger.book):
            raise NotUnderstood("These two have ties. Remove the ties first, if the scans do not touch.")
        if name in self.job.ledger.book.apart_pairs():
            raise NotUnderstood("That is on record already.")
        return Change(Apart(*name), is_added=True)

    def _touching(self, asked: Asked) -> Change:
        a, b = asked.pair()
        name = ordered(self.job.names[a], self.job.names[b])
        for one in self.job.ledger.book.apart:
            if one.scan_ids == name:
                return Change(one, is_added=False)
        raise NotUnderstood("These two are not marked.")

    def _distance(self, asked: Asked) -> Change:
        a, b = asked.point("a", "a_px"), asked.point("b", "b_px")
        names = self.job.names
        entry = Distance(names[a.scan], a.px, names[b.scan], b.px, asked.length_mm())
        return Change(entry, is_added=True)

    def _about(self, entry: Entry) -> list[int]:
        return [self.job.names.index(entry.scan_a), self.job.names.index(entry.scan_b)]
