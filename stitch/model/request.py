"""What one call of `join` was asked to do: the scans, the place of the job, and the settings."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from stitch.model.settings import JoinSettings


@dataclass(frozen=True, slots=True)
class JoinRequest:
    """One call of `join`, as typed (from `cli`) or as continued from an earlier one (from `job`).

    `given` names the fields of `settings` that were asked for in so many words; when a job is continued
    they replace what the job has on record, and all the others are taken from the job.
    """

    inputs: tuple[Path, ...]  # one folder, several files, or one job folder
    settings: JoinSettings
    given: tuple[str, ...] = ()
    out: Path | None = None  # the job folder; None: NAME-joined beside the scans
    only: tuple[str, ...] = ()  # file name patterns to keep
    skip: tuple[str, ...] = ()  # file name patterns to leave out
    recurse: bool = False  # look into sub-folders
    scans_moved_to: Path | None = None  # where to look for a continued job's scans
    force: bool = False  # replace files in the job folder that the job did not write
    timings: bool = False
    rehash: bool = False  # read every scan again, whatever its size and times say
