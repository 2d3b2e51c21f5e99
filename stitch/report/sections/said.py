"""Parts that the report of a join and that of a check have in common: the verdict's box and what was found."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from stitch.model.findings import Finding, Severity
from stitch.report.html import Child, Html, el, join
from stitch.report.sections.context import section

SEVERITY_WORDS = {
    Severity.STOP: "Stopped the run",
    Severity.FAILED: "Check failed",
    Severity.WARNING: "Worth a look",
    Severity.NOTE: "Good to know",
}

Named = Callable[[str], Html]
"""A scan's number and name."""


def verdict_box(
    state: str,
    mark: str,
    headline: str,
    sentences: Sequence[str],
    reasons: Sequence[Finding],
    named: Named,
    *more: Child,
) -> Html:
    """The headline in one box, with the reasons. `state` : done, look or stopped."""
    return el(
        "section",
        el("p", mark, class_="mark", aria_hidden="true"),
        el(
            "div",
            el("h2", headline),
            el("p", " ".join(sentences)),
            el("ul", [_reason(finding, named) for finding in reasons], class_="reasons") if reasons else None,
            *more,
        ),
        id="verdict",
        class_=f"verdict {state}",
    )


def finding_section(findings: Sequence[Finding], lead: str, named: Named) -> Html | None:
    """What does not stand in the verdict's box, the gravest first."""
    if not findings:
        return None
    ordered = sorted(findings, key=lambda finding: list(SEVERITY_WORDS).index(finding.severity))
    return section(
        "findings", "Findings", lead, el("ul", [_finding(finding, named) for finding in ordered], class_="findings")
    )


def _reason(finding: Finding, named: Named) -> Html:
    return el(
        "li",
        el("p", el("b", finding.message)),
        _concerned(finding, named),
        el("p", finding.advice) if finding.advice else None,
    )


def _concerned(finding: Finding, named: Named) -> Html | None:
    if not finding.scan_ids:
        return None
    return el("p", [join(named(scan_id), Html(" ")) for scan_id in finding.scan_ids], class_="concerned")


def _finding(finding: Finding, named: Named) -> Html:
    return el(
        "li",
        el("p", SEVERITY_WORDS[finding.severity], class_="severity"),
        el("p", el("b", finding.message)),
        _concerned(finding, named),
        el("p", finding.advice, class_="advice") if finding.advice else None,
        class_=finding.severity.value,
    )
