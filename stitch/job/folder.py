"""The job folder: where everything of one painting lies, and how it is opened, written to and left.

job = JobFolder.open_or_create(request)      touches nothing yet
with job.at_work():                          one run at a time; scratch is removed whatever happens
    job.record_scans(...)
    with job.writing(job.master) as part:    a result is whole or absent
        ...
    job.write_checksums()
"""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from stitch.errors import UsageError, WriteError, write_error
from stitch.job import ownership
from stitch.job.checksums import Status, checksum_lines, verify
from stitch.job.files import Stamp, is_untouched, relative_name, stamp_of
from stitch.job.lock import JobLock
from stitch.job.moved import scan_files
from stitch.job.place import JOB_FILE, checked_inputs, job_root
from stitch.job.record import JobRecord, JobScan, load_record, save_record
from stitch.job.whole import part_path, write_whole
from stitch.model.request import JoinRequest
from stitch.model.settings import JoinSettings

_MARK = ".made-by-stitch"  # in our work and scratch folders; only a scratch folder that holds it is ever emptied


class JobPaths:
    """The names of a job's files."""

    def __init__(self, root: Path) -> None:
        self.root = root.resolve()
        self.master = self.root / "master.tif"
        self.seam_map = self.root / "seam-map.png"
        self.seam_labels = self.root / "seam-labels.tif"
        self.seams_json = self.root / "seams.json"
        self.report_html = self.root / "report.html"
        self.report_json = self.root / "report.json"
        self.checksums = self.root / "checksums.sha256"
        self.seam_draft = self.root / "seam-draft.png"
        self.seam_draft_labels = self.root / "seam-draft-labels.tif"
        self.layers = self.root / "layers"
        self.job_file = self.root / JOB_FILE
        self.work = self.root / "work"
        self.state_file = self.work / "state.json"
        self.lock_file = self.work / "job.lock"
        self.scratch = self.work / "scratch"

    @property
    def results(self) -> tuple[Path, ...]:
        """Every file a run may leave for the painter, the checksums last."""
        return (
            self.master,
            self.seam_map,
            self.seam_labels,
            self.seams_json,
            self.report_html,
            self.report_json,
            self.checksums,
        )

    @property
    def drafts(self) -> tuple[Path, ...]:
        """What shows a cut that is not in the master."""
        return self.seam_draft, self.seam_draft_labels


class JobFolder(JobPaths):
    """One job: its paths, its record and the request it works on.

    `request` is complete: its `inputs` are the scan folder or the scan files (absolute, found again when they were
    moved), `out` the job folder, and its settings those typed now over those on record.
    """

    def __init__(self, root: Path) -> None:
        super().__init__(root)
        self.record = load_record(self.job_file, self.root)
        self.request = JoinRequest(inputs=(self.root,), settings=JoinSettings(), out=self.root)
        self._stats_before: dict[Path, tuple[int, int] | None] = {}
        self._known_sha256: dict[Path, str] = {}

    @property
    def results(self) -> tuple[Path, ...]:
        """Every file a run may leave for the painter, layers that were written among them, the checksums last."""
        start = f"{self.layers.name}/"
        layers = (self.root / name for name in sorted(self._record.written) if name.startswith(start))
        return (*super().results[:-1], *layers, self.checksums)

    @classmethod
    def open_or_create(cls, request: JoinRequest) -> JobFolder:
        """The job a request leads to: `out`, or SCANS-joined beside the scans, or the job folder named as input.

        Checks that every result may be replaced, and writes nothing. Raises UsageError, ScanError (scans of a
        continued job that are gone), WriteError (a file that the job did not write is in the way).
        """
        root = job_root(request)
        inputs = checked_inputs(request)
        job = cls(root)
        is_continued = inputs[0].resolve() == job.root
        job.request = job._continued(request) if is_continued else _fresh(request, inputs, job.root)
        job._require_own_results()
        return job

    @contextmanager
    def at_work(self) -> Iterator[None]:
        """Hold the job for this run, with an empty scratch folder that is gone afterwards, whatever happens.

        A job folder made by this run in which nothing was left is removed again. Raises WriteError.
        """
        is_new = not self.root.exists()
        try:
            with _told(self.root if is_new else self.work):
                self._make_work()
            with JobLock(self.lock_file):
                self.record = load_record(self.job_file, self.root)  # a run that ended just now may have changed it
                self._require_own_results()
                with self._with_scratch():
                    yield
        finally:
            self._remove_if_empty(is_new=is_new)

    @contextmanager
    def writing(self, path: Path) -> Iterator[Path]:
        """Write a result whole (see `write_whole`) and note it as the job's own. Yields the temporary name."""
        with write_whole(path, before_rename=lambda part: self._claim(part, path)) as part:
            yield part
        claimed = self._record.written[self._name(path)][-1]
        self._note_written(self._name(path), (stamp_of(path, self.root, sha256=claimed.sha256),))
        self._stats_before[path] = _stat(path)

    def take(self, paths: Iterable[Path]) -> None:
        """Say which files besides the usual results this run will write. Call it at work, before long steps.

        Raises WriteError when one is there that the job did not write, or that changed since.
        """
        paths = tuple(paths)
        for folder in {path.parent for path in paths}:
            if folder.exists() and not folder.is_dir():
                raise WriteError(f"{folder} is a file; a folder of that name is needed.", advice="Rename it.")
        ownership.require_own(paths, self.root, self._record.written, force=self.request.force)
        self._stats_before |= {path: _stat(path) for path in paths}

    def remove_own(self, paths: Iterable[Path]) -> None:
        """Remove files that the job wrote and that are still as it left them; others stay. Raises WriteError."""
        written = dict(self._record.written)
        for path in paths:
            is_own = self._name(path) in written and not ownership.foreign_files([path], self.root, written)
            if is_own:
                with _told(path):
                    path.unlink(missing_ok=True)
                del written[self._name(path)]
        if len(written) < len(self._record.written):
            self._save(replace(self._record, written=written))

    def know_sha256(self, path: Path, sha256: str) -> None:
        """Say the SHA-256 of the file being written for `path`, so that it is not read once more."""
        self._known_sha256[path] = sha256

    def stamps(self, paths: Iterable[Path]) -> dict[Path, Stamp]:
        """The stamps of those results that this job wrote and that have not been touched since."""
        noted = {path: self._record.written.get(self._name(path), ())[-1:] for path in paths}
        return {path: last[0] for path, last in noted.items() if last and is_untouched(last[0], self.root)}

    def record_scans(self, scans: Iterable[tuple[Path, str, int]], flat: tuple[Path, str, int] | None = None) -> None:
        """Put the job's settings and scans, as (absolute path, sha256, byte count), on record. Raises WriteError.

        `flat` : the scan of a white sheet, which is listed with the scans but not joined.
        """
        files = {_real(path): (sha256, byte_count) for path, sha256, byte_count in scans}
        self._save(
            replace(
                self._record,
                settings=self.request.settings,
                only=self.request.only,
                skip=self.request.skip,
                recurse=self.request.recurse,
                scans=tuple(JobScan(relative_name(path, self.root), *facts) for path, facts in files.items()),
                flat=None if flat is None else JobScan(relative_name(_real(flat[0]), self.root), *flat[1:]),
            )
        )

    def write_checksums(self) -> None:
        """Write `checksums.sha256` for the scans on record and every result written. Raises WriteError."""
        flat = () if self._record.flat is None else (self._record.flat,)
        scans = [(scan.path, scan.sha256) for scan in (*self._record.scans, *flat)]
        written = self._record.written
        names = [(self._name(path), path) for path in self.results[:-1]]
        results = [(name, written[name][-1].sha256) for name, path in names if name in written and path.exists()]
        with self.writing(self.checksums) as part:
            part.write_text(checksum_lines([*scans, *results]), "utf-8", errors="surrogateescape", newline="\n")

    def verify(self) -> list[tuple[str, Status]]:
        """Every file on the list of checksums with how it stands. Raises UsageError when there is no readable list."""
        return verify(self.checksums)

    @property
    def _record(self) -> JobRecord:
        return self.record if self.record is not None else JobRecord(settings=self.request.settings)

    def _continued(self, request: JoinRequest) -> JoinRequest:
        if self.record is None:
            raise UsageError(
                f"{self.job_file} is not the record of a job.",
                advice="If the folder holds scans, move that file away; if it is a job, name its scans and --out.",
            )
        if not self.record.scans:
            raise UsageError(
                f"The job {self.root} has no scans on record.", advice="Name the folder with the scans, and --out."
            )
        typed = {name: getattr(request.settings, name) for name in request.given}
        return replace(
            request,
            inputs=scan_files(self.record.scans, self.root, request.scans_moved_to),
            settings=replace(self.record.settings, **typed),
            out=self.root,
        )

    def _require_own_results(self) -> None:
        written = self._record.written
        paths = [path for result in self.results for path in (result, part_path(result))]
        if self.record is None:
            paths.append(self.job_file)
            self._require_own_work()
        else:
            paths = list(self.results)
        ownership.require_own(paths, self.root, written, force=self.request.force)
        self._stats_before = {path: _stat(path) for path in self.results}

    def _require_own_work(self) -> None:
        is_own = not self.work.exists() or (self.work / _MARK).exists() or _is_empty_folder(self.work)
        if not is_own and not (self.request.force and self.work.is_dir()):
            raise WriteError(
                f"{self.work} exists already and does not belong to this job.",
                advice="Choose another place with --out, or add --force to use the folder all the same.",
            )

    def _claim(self, part: Path, path: Path) -> None:
        if _stat(path) != self._stats_before.get(path) and not self.request.force:
            raise WriteError(
                f"{path.name} was changed by another program during the run; it was left as it is.",
                advice="Move what you want to keep and run the same command again, or add --force.",
            )
        stamp = replace(
            stamp_of(part, self.root, sha256=self._known_sha256.pop(path, None)),
            name=self._name(path),
            modified_ns=0,
            changed_ns=0,
        )
        self._note_written(self._name(path), (*self._record.written.get(self._name(path), ())[-1:], stamp))

    def _name(self, path: Path) -> str:
        """The name of one of the job's files on record."""
        return path.relative_to(self.root).as_posix()

    def _note_written(self, name: str, stamps: tuple[Stamp, ...]) -> None:
        self._save(replace(self._record, written={**self._record.written, name: stamps}))

    def _save(self, record: JobRecord) -> None:
        save_record(record, self.job_file, self.root)
        self.record = record

    def _make_work(self) -> None:
        if self.record is None:
            self._require_own_work()
        self.work.mkdir(parents=True, exist_ok=True)
        (self.work / _MARK).touch()

    @contextmanager
    def _with_scratch(self) -> Iterator[None]:
        with _told(self.scratch):
            self._clear_leftovers()
            self.scratch.mkdir()
            (self.scratch / _MARK).touch()
        try:
            yield
        except BaseException:
            with contextlib.suppress(OSError, WriteError):  # the first trouble is the one to tell
                self._clear_leftovers()
            raise
        with _told(self.scratch):
            self._clear_leftovers()

    def _clear_leftovers(self) -> None:
        if self.record is not None:
            for path in (*self.results, *self.drafts, self.job_file, self.state_file):
                part_path(path).unlink(missing_ok=True)
        if (self.scratch / _MARK).exists():
            shutil.rmtree(self.scratch)
        elif self.scratch.exists():
            self._remove_foreign_scratch()

    def _remove_foreign_scratch(self) -> None:
        try:
            self.scratch.rmdir()
        except OSError as error:
            raise WriteError(
                f"{self.scratch} holds files that stitch did not put there.", advice="Move them away and try again."
            ) from error

    def _remove_if_empty(self, *, is_new: bool) -> None:
        with contextlib.suppress(OSError):
            if [path.name for path in self.work.iterdir()] == [_MARK]:
                (self.work / _MARK).unlink()
            self.work.rmdir()
            if is_new:
                self.root.rmdir()


def _fresh(request: JoinRequest, inputs: tuple[Path, ...], root: Path) -> JoinRequest:
    if request.scans_moved_to is not None:
        raise UsageError(
            "--scans goes with a job folder: it says where the job's scans are now.",
            advice="To start from a folder of scans, name just that folder.",
        )
    return replace(request, inputs=inputs, out=root)


@contextmanager
def _told(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise write_error(path, error) from error


def _real(path: Path) -> Path:
    return path.parent.resolve() / path.name


def _is_empty_folder(path: Path) -> bool:
    return path.is_dir() and not any(path.iterdir())


def _stat(path: Path) -> tuple[int, int] | None:
    try:
        facts = path.lstat()
    except OSError:
        return None
    return facts.st_size, facts.st_mtime_ns
