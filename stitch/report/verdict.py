"""What the run came to, in plain words."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from stitch.model.findings import Finding, Severity
from stitch.model.report import RunSummary
from stitch.report.measures import VISIBLE_STEP_DE00, seam_figures


class Outcome(StrEnum):
    """The three ways a run can end."""

    DONE = "done"
    LOOK = "look"  # done, but a check failed or a scan changed
    STOPPED = "stopped"


@dataclass(frozen=True, slots=True)
class Verdict:
    """The headline, what stands under it, and the findings that led to it."""

    outcome: Outcome
    headline: str
    sentences: tuple[str, ...]
    reasons: tuple[Finding, ...]


STOP_WORDS = {
    2: "The command could not be understood.",
    3: "The scans cannot be used as they are.",
    4: "The scans could not be put together.",
    5: "The result could not be written.",
    70: "The program made a mistake of its own.",
    130: "You stopped the run.",
}


def verdict(summary: RunSummary) -> Verdict:
    """The verdict on a run; never better than the record: a changed scan or a failed check is never "done"."""
    if summary.exit_code not in (0, 1):
        return _stopped(summary)
    reasons = _with(summary, Severity.FAILED) + _with(summary, Severity.STOP)
    changed = changed_scans(summary)
    if summary.master is None:
        reasons = _with(summary, Severity.STOP) + _with(summary, Severity.FAILED)
        return Verdict(Outcome.STOPPED, "Stopped: there is no master.", ("No master was written.",), reasons)
    if changed:
        headline = "Done, but a scan changed while the run was going on."
        return Verdict(Outcome.LOOK, headline, (_changed_sentence(changed),), reasons)
    if reasons or summary.exit_code == 1:
        return Verdict(Outcome.LOOK, "Done, but look here first.", (_failed_sentence(reasons),), reasons)
    return Verdict(Outcome.DONE, _done_headline(summary), _done_sentences(summary), ())


def changed_scans(summary: RunSummary) -> tuple[str, ...]:
    """Names of scans whose file has another SHA-256 after the run."""
    after = dict(summary.sha256_after)
    return tuple(scan.scan_id for scan in summary.scans if after.get(scan.scan_id, scan.sha256) != scan.sha256)


def words_list(names: tuple[str, ...] | list[str]) -> str:
    """Names as in a sentence: "a", "a and b", "a, b and c"."""
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"


def scans_words(count: int) -> str:
    """ "1 scan", "4 scans"."""
    return f"{count} scan" if count == 1 else f"{count} scans"


def _stopped(summary: RunSummary) -> Verdict:
    reasons = _with(summary, Severity.STOP)
    headline = f"Stopped. {STOP_WORDS.get(summary.exit_code, 'The run did not come to its end.')}"
    kept = "No master was written." if summary.master is None else "The master in the job folder is from before."
    changed = changed_scans(summary)
    untouched = _changed_sentence(changed) if changed else "Your scans were only read, never changed."
    return Verdict(Outcome.STOPPED, headline, (kept, untouched), reasons)


def _done_headline(summary: RunSummary) -> str:
    used = len(summary.scans) - (len(summary.layout.left_out) if summary.layout else 0)
    return f"Done. Your {scans_words(used)} are one picture."


def _done_sentences(summary: RunSummary) -> tuple[str, ...]:
    said = ["Every check that could be made passed."]
    worst = seam_figures(summary.seams or ()).worst_step_de00
    if worst is not None and worst >= VISIBLE_STEP_DE00:
        said.append("A seam may show in places: look at the worst spots.")
    warnings = len(_with(summary, Severity.WARNING))
    if warnings:
        said.append("One finding is worth reading." if warnings == 1 else f"{warnings} findings are worth reading.")
    return tuple(said)


def _changed_sentence(changed: tuple[str, ...]) -> str:
    return f"The file of {words_list(changed)} is not what it was when the run began. Compare it with your backup."


def _failed_sentence(reasons: tuple[Finding, ...]) -> str:
    if len(reasons) > 1:
        return f"The master is written and whole, but {len(reasons)} checks failed."
    return "The master is written and whole, but one check failed."


def _with(summary: RunSummary, severity: Severity) -> tuple[Finding, ...]:
    return tuple(finding for finding in summary.findings if finding.severity is severity)
