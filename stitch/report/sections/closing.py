"""The end of the page: cautions, words, times."""

from __future__ import annotations

from stitch.report import words
from stitch.report.html import Html, el
from stitch.report.measures import VISIBLE_STEP_DE00
from stitch.report.sections.context import Context, section

CAUTIONS = (
    (
        "Paint that stands up",
        "Thick paint, canvas weave and rough paper throw small shadows. Where a piece was turned on the glass the "
        "light comes from another side, and no joining can make such shadows agree. Look closely at those places.",
    ),
    (
        "Which works belong on a flatbed",
        "FADGI, Technical Guidelines, 2016, names flatbeds for prints, drawings and works like watercolours, and does "
        "not recommend them for paintings. Nothing may rub or press on the work; have a part that hangs over held "
        "level.",
    ),
    (
        "When to ask first",
        "Flaking, cracked, powdery or sticky paint, tears, or a work that is not yours to risk: ask a paper or "
        "painting conservator before the next scan.",
    ),
    (
        "What to keep",
        "The scans are the originals of this picture and the master is made from them. Back up both, and this report.",
    ),
    (
        "Rights",
        "Copy your own work, work free of copyright, or work whose rights holder allows it. Owning a painting does not "
        "by itself give the right to copy it.",
    ),
)

GLOSSARY = (
    ("Master", "The one picture made of all scans, at full size. Prints are made from it."),
    ("px", "Pixel: one point of a scan or of the master. At 600 dpi there are about 24 of them in a millimetre."),
    ("dpi", "Points per inch of the painting. It ties pixels to millimetres."),
    ("Seam", "The line where the master changes from one scan to another."),
    (
        "ΔE",
        "The distance between two colours as an eye sees it (the formula CIEDE2000). This report counts a step of "
        f"{words.number(VISIBLE_STEP_DE00, 0)} or more as one that may be seen; that limit is the tool's own.",
    ),
    ("Step", "The change of colour across a seam, with fine detail smoothed away."),
    (
        "Shift",
        "How far apart two scans put the same thing. A shift of a pixel or more shows as a doubled or broken line.",
    ),
    ("Link", "Two scans that were found to show the same strip of the painting."),
    (
        "Test patch",
        "A small piece of an overlap kept out of the sums, so that the error measured on it is an honest one.",
    ),
    ("Clipped", "So dark or so light that the scanner could not tell shades apart any more."),
    ("Colour profile", "The note inside a file that says which colours its numbers mean. It is passed on unchanged."),
    ("SHA-256", "A fingerprint of a file. If one bit of the file changes, so does the fingerprint."),
)


def cautions(context: Context) -> Html:
    """What to mind."""
    rights = context.summary.settings.rights
    items = [el("div", el("dt", title), el("dd", said)) for title, said in CAUTIONS]
    line = el("div", el("dt", "Rights line in the master"), el("dd", rights or "none was given (--rights)"))
    return section(
        "cautions", "Please mind", "What no measurement in this report can see.", el("dl", items, line, class_="said")
    )


def glossary() -> Html:
    """The few words that need explaining."""
    items = [el("div", el("dt", word), el("dd", meaning)) for word, meaning in GLOSSARY]
    return section("words", "Words used here", "In the sense they have in this report.", el("dl", items, class_="said"))


def footer(context: Context) -> Html:
    """Version, date, and times folded away."""
    summary = context.summary
    return el(
        "footer",
        _timings(context),
        el("p", f"Made by stitch {summary.tool_version} on {words.day(summary.started_at)}."),
        el("p", f"Job folder: {summary.job_name}."),
        el("p", "This page holds everything it shows; it needs no network. The same figures are in report.json."),
    )


def _timings(context: Context) -> Html | None:
    timings = context.summary.timings
    if not timings:
        return None
    rows = [
        [
            timing.room,
            words.figure(f"timings.{index}.seconds", timing.seconds, words.SECONDS),
            "kept from an earlier run" if timing.is_kept else "",
        ]
        for index, timing in enumerate(timings)
    ]
    total = words.figure("timings|total_s", sum(timing.seconds for timing in timings), words.SECONDS)
    return el(
        "details",
        el("summary", "How long it took: ", total),
        words.table(["Part", "Time", "Note"], rows, numeric=(1,)),
    )
