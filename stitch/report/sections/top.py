"""The top of the page: the verdict, what to type next, and the five questions."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from stitch.report import measures, words
from stitch.report.html import Child, Html, el, join
from stitch.report.json_report import unplaced
from stitch.report.sections.context import Context
from stitch.report.sections.said import finding_section, verdict_box
from stitch.report.verdict import Outcome, Verdict, changed_scans, scans_words, words_list

MARKS = {Outcome.DONE: "✓", Outcome.LOOK: "!", Outcome.STOPPED: "✕"}


def header(context: Context) -> Html:
    """Title, maker, date."""
    settings = context.summary.settings
    by = [part for part in (settings.creator, words.day(context.summary.started_at)) if part]
    return el(
        "header",
        el("p", "Report on joining scans", class_="kind"),
        el("h1", settings.title or context.summary.job_name),
        el("p", " · ".join(by), class_="by"),
        class_="masthead",
    )


def verdict_block(context: Context, said: Verdict) -> Html:
    """The headline in one box, with the reasons and the command to type next."""
    next_command = context.summary.next_command
    more = (
        join(
            el("p", f"Type this next, in the folder that holds {context.summary.job_name}:", class_="next"),
            el("pre", el("code", next_command)),
        )
        if next_command
        else None
    )
    mark, state = MARKS[said.outcome], said.outcome.value
    return verdict_box(state, mark, said.headline, said.sentences, said.reasons, context.named, more)


class State(StrEnum):
    """How an answer looks."""

    GOOD = "good"
    LOOK = "look"
    OPEN = "open"  # not known


SIGNS = {State.GOOD: "✓", State.LOOK: "!", State.OPEN: "?"}


@dataclass(frozen=True, slots=True)
class Answer:
    """One of the five questions, answered."""

    question: str
    state: State
    short: Child
    detail: Child
    anchor: str


def five_questions(context: Context) -> Html:
    """The questions a painter asks, each with one answer and one figure."""
    answers = (_whole(context), _lines(context), _seams(context), _size(context), _untouched(context))
    return el("section", [_card(answer) for answer in answers], class_="questions", aria_label="Five questions")


def _card(answer: Answer) -> Html:
    return el(
        "a",
        el("span", answer.question, class_="question"),
        el("span", el("span", SIGNS[answer.state], class_="sign", aria_hidden="true"), answer.short, class_="answer"),
        el("span", answer.detail, class_="detail"),
        class_=f"card {answer.state.value}",
        href=f"#{answer.anchor}",
    )


def _whole(context: Context) -> Answer:
    count, missing = len(context.summary.scans), unplaced(context.summary)
    question = "Is every scan in it?"
    if context.summary.layout is None:
        return Answer(question, State.OPEN, "Not known", "The run stopped before the scans had their places.", "scans")
    if missing:
        return Answer(
            question, State.LOOK, f"{len(missing)} left out", f"No place was found for {words_list(missing)}.", "scans"
        )
    left_out = [one.scan_id for one in context.summary.layout.left_out]
    if left_out:
        were = "shows a part that another shows, too" if len(left_out) == 1 else "show parts that others show, too"
        return Answer(
            question,
            State.GOOD,
            f"{count - len(left_out)} of {count}",
            f"The others are not needed: {words_list(left_out)} {were}.",
            "scans",
        )
    return Answer(question, State.GOOD, f"All {count}", f"{scans_words(count)}, each with its place.", "links")


def _lines(context: Context) -> Answer:
    question = "Do the lines meet?"
    links = context.summary.layout.links if context.summary.layout else ()
    measured = [index for index, link in enumerate(links) if link.heldout_count]
    if not measured:
        return Answer(question, State.OPEN, "Not known", "No overlap was measured.", "links")
    worst = max(measured, key=lambda index: links[index].p95_px)
    weak = sum(link.is_weak for link in links)
    of = f"layout.links.{worst}.p95_px"
    shown = words.figure(of, links[worst].p95_px, words.PX)
    ppi = measures.length_or_none_mm(links[worst].p95_px, measures.link_ppi(context.summary, links[worst]))
    detail = join(
        "95 of 100 test patches of the worst overlap agree within this: ",
        words.figure(f"{of}|mm", ppi, words.MM_FINE),
        f". {weak} of {len(links)} links weak." if weak else ".",
    )
    return Answer(question, State.LOOK if weak else State.GOOD, join("within ", shown), detail, "links")


def _seams(context: Context) -> Answer:
    question = "Can the seams be seen?"
    if not context.summary.seams:
        return Answer(question, State.OPEN, "Not known", "No seam was cut.", "seams")
    figures = measures.seam_figures(context.summary.seams)
    limit = words.number(measures.VISIBLE_STEP_DE00, 0)
    if figures.quiet_fraction is None or figures.worst_step_de00 is None:
        return Answer(question, State.OPEN, "Not known", "No step was measured along the seams.", "seams")
    is_quiet = figures.worst_step_de00 < measures.VISIBLE_STEP_DE00
    share = words.figure("seams.quiet_fraction|percent", 100 * figures.quiet_fraction, words.SHARE)
    worst = words.figure("seams.worst_step_de00", figures.worst_step_de00, words.DE00)
    detail = join(share, f" of the seam length has a colour step under ΔE{words.NBSP}{limit}.")
    return Answer(question, State.GOOD if is_quiet else State.LOOK, join("worst ", worst), detail, "spots")


def _size(context: Context) -> Answer:
    question, check = "Is it the right size?", context.summary.size_check
    if check is None:
        return Answer(question, State.OPEN, "Not known", "The size was not measured.", "size")
    judged = [reading for reading in check.readings if reading.is_ok is not None and reading.expected_mm is not None]
    if not judged:
        return Answer(
            question, State.OPEN, "Not compared", "No tape measure was given, or no edge was in view.", "size"
        )
    index = max(
        (i for i, reading in enumerate(check.readings) if reading in judged),
        key=lambda i: abs(check.readings[i].measured_mm - (check.readings[i].expected_mm or 0.0)),
    )
    worst = check.readings[index]
    off = words.figure(
        f"size_check.readings.{index}|difference_mm",
        worst.measured_mm - (worst.expected_mm or 0.0),
        words.MM,
        signed=True,
    )
    is_good = all(reading.is_ok for reading in judged)
    detail = f"The largest difference from the tape measure: {plain_name(worst.name)}."
    return Answer(question, State.GOOD if is_good else State.LOOK, off, detail, "size")


def plain_name(name: str) -> str:
    """The name of a reading in words, without the slashes of the diagonals."""
    return {"diagonal \\": "diagonal from top left", "diagonal /": "diagonal from bottom left"}.get(name, name)


def _untouched(context: Context) -> Answer:
    question = "Are the scans untouched?"
    changed, count = changed_scans(context.summary), len(context.summary.scans)
    checked = sum(scan.scan_id in dict(context.summary.sha256_after) for scan in context.summary.scans)
    if changed:
        return Answer(
            question,
            State.LOOK,
            f"{len(changed)} changed",
            f"{words_list(changed)}: compare with your backup.",
            "scans",
        )
    if checked < count or not count:
        return Answer(
            question, State.OPEN, "Not checked", f"{checked} of {count} were checked again after the run.", "scans"
        )
    return Answer(question, State.GOOD, "Yes", f"{scans_words(count)}: same SHA-256 before and after.", "scans")


def findings(context: Context, said: Verdict) -> Html | None:
    """Warnings and notes; what led to the verdict stands in its box already."""
    rest = [finding for finding in context.summary.findings if finding not in said.reasons]
    return finding_section(rest, "What was noticed on the way, and what you can do about it.", context.named)
