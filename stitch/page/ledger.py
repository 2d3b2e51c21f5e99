"""ties.csv while the page is open: every change saved at once, numbered, and taken back when asked."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from stitch.model.scans import Scan
from stitch.model.ties import Apart, Distance, Tie, TieBook
from stitch.pipeline import by_hand
from stitch.ties.book import BOOK_NAME, write_book

Entry = Tie | Apart | Distance
Stamp = tuple[int, int, int]
_FIELD = {Tie: "ties", Apart: "apart", Distance: "distances"}


@dataclass(frozen=True, slots=True)
class Change:
    """One entry put into the book or taken out of it; `at` is its place among those of its kind, None the end."""

    entry: Entry
    is_added: bool
    at: int | None = None


class Outdated(Exception):
    """The book has changed since the page that asks looked at it."""


class Ledger:
    """The book of a job and its revision. Safe to use from several threads.

    Another program may change the file meanwhile: that is noticed before every look and every change, and counts as a
    change of its own. What the file says is never overwritten unread.
    """

    def __init__(self, root: Path, scans: Sequence[Scan]) -> None:
        """`root` : the job's folder. Raises UsageError when a line of its book is bad."""
        self.revision = 1
        self._root, self._scans = root, scans
        self._path = root / BOOK_NAME
        self._lock = threading.RLock()
        self._stamp = stamp_of(self._path)
        self._book = by_hand.read(root, scans)
        self._done: list[Change] = []
        self._undone: list[Change] = []

    @property
    def book(self) -> TieBook:
        """What the file says now. Raises UsageError when a line of it is bad."""
        with self._lock:
            self.refresh()
            return self._book

    @property
    def can_undo(self) -> bool:
        """Whether this page has made a change that can be taken back."""
        return bool(self._done)

    @property
    def can_redo(self) -> bool:
        """Whether a change was taken back that can be made again."""
        return bool(self._undone)

    def refresh(self) -> None:
        """Read the file again when it is not as it was left. Raises UsageError when a line of it is bad."""
        with self._lock:
            stamp = stamp_of(self._path)
            if stamp != self._stamp:
                self._book = by_hand.read(self._root, self._scans)
                self._stamp = stamp
                self.revision += 1
                self._done.clear()
                self._undone.clear()

    def count(self) -> None:
        """Count a change of what else the page shows."""
        with self._lock:
            self.revision += 1

    def make(self, change: Change, revision: int) -> None:
        """Make a change and save. Raises Outdated, UsageError, WriteError; then nothing is changed."""
        with self._lock:
            self._require(revision)
            self._done.append(self._saved(change))
            self._undone.clear()

    def undo(self, revision: int) -> Entry | None:
        """Take the last change back and save; the entry it was about, None when there is none."""
        with self._lock:
            self._require(revision)
            return self._turned_back(self._done, self._undone)

    def redo(self, revision: int) -> Entry | None:
        """Make the change that was taken back last once more, and save."""
        with self._lock:
            self._require(revision)
            return self._turned_back(self._undone, self._done)

    def _turned_back(self, source: list[Change], target: list[Change]) -> Entry | None:
        if not source:
            return None
        last = source[-1]
        target.append(self._saved(replace(last, is_added=not last.is_added)))
        source.pop()
        return last.entry

    def _require(self, revision: int) -> None:
        self.refresh()
        if revision != self.revision:
            raise Outdated

    def _saved(self, change: Change) -> Change:
        """Save the book with the change; the change as it was made, with its place."""
        name = _FIELD[type(change.entry)]
        entries = list(getattr(self._book, name))
        if change.is_added:
            at = len(entries) if change.at is None else min(change.at, len(entries))
            entries.insert(at, change.entry)
        else:
            if change.entry not in entries:
                raise Outdated
            at = entries.index(change.entry)
            del entries[at]
        book = replace(self._book, **{name: tuple(entries)})
        write_book(self._path, book)
        self._stamp, self._book = stamp_of(self._path), book
        self.revision += 1
        return replace(change, at=at)


def stamp_of(path: Path) -> Stamp | None:
    """By what a file that changed is known; None when there is none."""
    try:
        facts = path.stat()
    except OSError:
        return None
    return facts.st_size, facts.st_mtime_ns, facts.st_ino
