"""How the tone of the scans was brought together, and what the overlaps say of it."""

from __future__ import annotations

from stitch.model.settings import ToneMatch
from stitch.model.tone import ScanTone, SlopeSource, ToneFit
from stitch.report import words
from stitch.report.html import Html, el, join
from stitch.report.sections.context import Context

LIGHT = (
    "The arithmetic was done in linear light, because exposure, lamp and black level act on light; the curve undone "
)
SLOPES = {
    SlopeSource.TURNED_PIECES: "Scans lay turned to each other, so a slope of the light over the glass could be seen.",
    SlopeSource.FLAT: "The white sheet shows a slope of the light over the glass, too.",
    SlopeSource.UNKNOWN: "Not observable: a slope of the light over the whole glass. While all scans lie the same way "
    "round it looks just like scans of unequal exposure. ",
}
LEFT = {
    ToneMatch.GAIN: "Light within the scans was left as scanned, as --tone gain asks.",
    ToneMatch.FULL: "Within the scans the light was even enough: one tone was used for all of a scan.",
}


def tone(context: Context, found: ToneFit | None) -> Html:
    """The part on tone."""
    if found is None:
        return el("p", "The tone of the scans was not matched.")
    return el("div", el("h3", "Tone"), *_matched(context, found), _pairs(context, found))


def _matched(context: Context, found: ToneFit) -> list[Html | None]:
    if found.how is ToneMatch.NONE:
        return [
            el("p", "The codes of every scan stay as they are, as --tone none asks; near the seams they are blended.")
        ]
    return [
        el("p", "Every scan was brought to the tone of ", context.named(found.reference_id), f". {LIGHT}for it: ",
           f"{found.encoding_name}.", _kept(context, found)),
        _flat(found),
        _evenness(context, found),
        _slope(found),
        _common_scale(found),
        words.table(
            ["Scan", "Red", "Green", "Blue", "Gamma, red · green · blue", "Black level, red · green · blue"],
            [_row(context, found, index) for index in range(len(found.scans))],
            numeric=(1, 2, 3, 4, 5),
        ),
    ]  # fmt: skip


def _kept(context: Context, found: ToneFit) -> str:
    if found.evenness is None and found.flat is None and not found.held_slope_percent:
        return f" {found.reference_id} itself keeps its codes, a colour target in it with them."
    return f" {found.reference_id} itself keeps gain 1 and gamma 1; only its light is evened out, by 1 on average."


def _flat(found: ToneFit) -> Html | None:
    if found.flat is None:
        return None
    return el(
        "p",
        "The fall-off of the glass was taken from the white sheet ",
        el("span", found.flat.file_name, class_="name"),
        ": ",
        words.figure("tone.flat.largest_percent", found.flat.largest_percent, words.SHARE),
        " between its brightest and darkest place. SHA-256 ",
        el("code", found.flat.sha256),
    )


def _evenness(context: Context, found: ToneFit) -> Html:
    even = found.evenness
    if even is None:
        return el("p", LEFT[found.how])
    return el(
        "p",
        "Within the scans the light was evened out, too: fall-off over the glass, the lamp warming up along the pass, "
        "darkening where the sheet lifts. The largest factor between two places of one scan is ",
        words.figure("tone.evenness.largest_percent", even.largest_percent, words.SHARE),
        ", of ",
        context.named(found.reference_id),
        " ",
        words.figure("tone.evenness.reference_percent", even.reference_percent, words.SHARE),
        ". In held-out parts of the overlaps one block in ten differed by ",
        words.figure("tone.evenness.before_l", even.before_l, words.LIGHTNESS),
        " or more before, and by ",
        words.figure("tone.evenness.after_l", even.after_l, words.LIGHTNESS),
        " after.",
    )


def _slope(found: ToneFit) -> Html:
    if found.slope_source is not SlopeSource.UNKNOWN:
        return el("p", SLOPES[found.slope_source])
    return el(
        "p",
        SLOPES[SlopeSource.UNKNOWN],
        "The gains rise by ",
        words.figure("tone.gain_slope_percent", found.gain_slope_percent, words.SHARE),
        " over the painting; were that the glass, the master would be so much brighter at one side. ",
        _held(found),
        "One piece turned half around, or --flat with a scan of a white sheet, tells the two apart.",
    )


def _held(found: ToneFit) -> Html | None:
    if not found.held_slope_percent:
        return None
    return join(
        "Apart from such a rise the gains are alike, so that it is likelier the glass: ",
        words.figure("tone.held_slope_percent", found.held_slope_percent, words.SHARE),
        " from one end of it to the other was evened out for that reason alone. ",
    )


def _common_scale(found: ToneFit) -> Html:
    if found.common_scale == 1.0:
        return el("p", "No common scale was needed: nothing would have been brighter than white.")
    factor = words.figure("tone.common_scale", found.common_scale, words.FACTOR)
    return el("p", "Everything was scaled by ", factor, " in addition, so that no white is cut off.")


def _row(context: Context, found: ToneFit, index: int) -> list[Html]:
    scan = found.scans[index]
    gains = [
        words.figure(f"tone.scans.{index}.gain_rgb.{channel}", value, words.FACTOR)
        for channel, value in enumerate(scan.gain_rgb)
    ]
    if scan.is_identity and found.common_scale == 1.0:
        return [context.named(scan.scan_id), *gains, el("span", "1"), el("span", "pixels kept as they are")]
    return [context.named(scan.scan_id), *gains, _gammas(scan, index), _offsets(scan, index)]


def _gammas(scan: ScanTone, index: int) -> Html:
    if scan.gamma_rgb == (1.0, 1.0, 1.0):
        return el("span", "1")
    shown = [words.figure(f"tone.scans.{index}.gamma_rgb.{i}", v, words.GAMMA) for i, v in enumerate(scan.gamma_rgb)]
    return join(shown[0], " · ", shown[1], " · ", shown[2])


def _offsets(scan: ScanTone, index: int) -> Html:
    shown = [
        words.figure(f"tone.scans.{index}.offset_rgb.{i}", value, words.LINEAR, signed=True)
        for i, value in enumerate(scan.offset_rgb)
    ]
    return join(shown[0], " · ", shown[1], " · ", shown[2])


def _pairs(context: Context, found: ToneFit) -> Html | None:
    if not found.pairs:
        return None
    rows = [
        [
            join(context.named(pair.scan_a), el("br"), context.named(pair.scan_b)),
            words.figure(f"tone.pairs.{index}.mean_before_de00", pair.mean_before_de00, words.DE00),
            words.figure(f"tone.pairs.{index}.mean_after_de00", pair.mean_after_de00, words.DE00),
            words.figure(f"tone.pairs.{index}.sample_count", pair.sample_count, words.COUNT),
        ]
        for index, pair in enumerate(found.pairs)
    ]
    return join(
        el("h3", "Difference of tone where two scans overlap"),
        el("p", "CIEDE2000 of small areas, by the scans' profile in Lab under D50, on areas the match had not seen."),
        words.table(["Between", "Before", "After", "Samples"], rows, numeric=(1, 2, 3)),
    )
