"""Everything that was done to the pixels: resolution, steps, tone."""

from __future__ import annotations

from stitch.model.report import RunSummary
from stitch.model.settings import Resample
from stitch.report import words
from stitch.report.files import profile_name
from stitch.report.html import Html, el, join
from stitch.report.sections.context import Context, section
from stitch.report.sections.tone import tone

SAME_RATIO = 0.0005  # resolutions closer than this count as the same


def pixels(context: Context) -> Html:
    """The section on pixels."""
    summary = context.summary
    lead = "Each point of the master comes from the scans. This is the whole list of what was done to it on the way."
    history = summary.master_spec.history if summary.master_spec else ()
    return section(
        "pixels",
        "What was done to the pixels",
        lead,
        el("ol", [el("li", sentence) for sentence in history], class_="history")
        if history
        else el("p", "Nothing: no master was written."),
        _facts(summary),
        tone(context, summary.tone),
    )


def _facts(summary: RunSummary) -> Html | None:
    spec, layout = summary.master_spec, summary.layout
    if spec is None:
        return None
    return el(
        "dl",
        el("dt", "Master"),
        el("dd", _size_words(summary)),
        el("dt", "Resolution"),
        el("dd", _resolution(summary)),
        el("dt", "Resampling"),
        el("dd", _resampling(summary)) if layout else el("dd", "unknown"),
        el("dt", "Colour profile"),
        el("dd", profile_words(spec.profile)),
        el("dt", "File"),
        el("dd", _file(summary)),
        class_="facts",
    )


def _size_words(summary: RunSummary) -> Html:
    spec = summary.master_spec
    assert spec is not None
    return join(
        words.figure("master_spec.size.width_px", spec.size.width_px, words.COUNT),
        " × ",
        words.figure("master_spec.size.height_px", spec.size.height_px, words.COUNT),
        f"{words.NBSP}px, ",
        words.figure("master_spec.bits", spec.bits, words.COUNT),
        " bits for each of red, green and blue",
    )


def _resolution(summary: RunSummary) -> Html:
    """The master's resolution against the finest scan, and in so many words whether anything was enlarged."""
    spec = summary.master_spec
    assert spec is not None
    shown = words.figure("master_spec.ppi", spec.ppi, words.DPI)
    known = [ppi for scan in summary.scans for ppi in (scan.ppi_x or summary.settings.scan_dpi,) if ppi]
    if not known:
        return join(shown, "; the resolution of the scans is unknown")
    ratio = spec.ppi / min(known)
    if abs(ratio - 1) <= SAME_RATIO:
        return join(shown, ", as the scans. Nothing was enlarged or reduced.")
    scans = words.figure("scans|lowest_ppi", min(known), words.DPI)
    factor = words.figure("master_spec.ppi|of_lowest", ratio, words.FACTOR)
    if ratio > 1:
        return join(shown, el("strong", ", enlarged"), " from ", scans, ": ", factor, ". Enlarging adds no detail.")
    return join(shown, ", reduced from ", scans, ": ", factor, ".")


def _resampling(summary: RunSummary) -> str:
    assert summary.layout is not None
    if summary.layout.is_whole_pixel:
        return "None: every scan was moved by whole pixels, so its values are unchanged outside the seams."
    kernel = "cubic interpolation" if summary.settings.resample is Resample.USUAL else "the fine way: a windowed sinc"
    said = f"Once: every point was read from its scan between pixels, a single time ({kernel})."
    if any(placement.correction is not None for placement in summary.layout.placements):
        said += " Where the scanner or the sheet had moved, that was straightened in the same step."
    return said


def profile_words(profile: bytes | None) -> str:
    """The name of a profile, or that there is none."""
    if profile is None:
        return "none embedded"
    return profile_name(profile) or "embedded, without a readable name"


def _file(summary: RunSummary) -> Html | str:
    master = summary.master
    if master is None:
        return "not written"
    return join(
        el("span", master.file_name, class_="name"),
        ", ",
        words.figure("master.byte_count|mb", master.byte_count / 1e6, words.Unit("MB", lambda value: 1)),
        ", BigTIFF" if master.is_bigtiff else ", TIFF",
        ", read back and checked. SHA-256 ",
        el("code", master.sha256),
    )
