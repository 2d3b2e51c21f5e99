"""The tone match of all scans: sample every overlap, solve once, keep what is already right untouched."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import combinations

from stitch.errors import UsageError
from stitch.imaging.affine import FloatArray, nearest_turn_deg, scale_of
from stitch.imaging.colour import Encoding, mean_delta_e_2000
from stitch.imaging.placed_map import PlacedMap
from stitch.model.layout import Layout
from stitch.model.scans import PixelSource
from stitch.model.settings import ToneMatch
from stitch.model.tone import Evenness, PairTone, ScanTone, SlopeSource, ToneFit
from stitch.progress import SILENT, Progress
from stitch.tone.cells import common_cells
from stitch.tone.choose import match
from stitch.tone.even import Logs, Scans, Solve, about, even_out, lit, recorded, span_percent
from stitch.tone.evened import evened
from stitch.tone.flat import Flat, flat_logs, require_agreement
from stitch.tone.matched import Matches
from stitch.tone.ramp import gain_slope_percent, held_slope, slope_logs
from stitch.tone.reference import chosen_reference
from stitch.tone.samples import PairSamples, PlacedSource, sample_pair
from stitch.tone.white import scale_for_white

MEASURED_SHARE = 1 / 3  # of the cells of a match: enough to say how far scans differ
FEWEST_CELLS = 6  # an overlap with fewer says nothing
MOST_THREADS = 2  # each holds a row of cells of two scans


def fit(
    sources: Mapping[str, PixelSource],
    layout: Layout,
    encoding: Encoding,
    *,
    bits: int,
    how: ToneMatch = ToneMatch.FULL,
    reference_id: str | None = None,
    flat: Flat | None = None,
    painting_px: FloatArray | None = None,
    jobs: int = 1,
    progress: Progress = SILENT,
) -> ToneFit:
    """Match the tone of all placed scans to that of the reference scan.

    `how` : NONE only measures; GAIN gives every scan one factor a channel; FULL adds offsets and gammas where the
    overlaps hold dark and light tones and show them (`choose`), and evens out the light within the scans where that
    lowers held-out differences clearly (`unevenness`). `flat` : the fall-off of the bed, undone before anything else.
    `painting_px` : corners of the painting on the canvas, (4, 2), where its edges are certain; then the whites kept
    below the top are those of the painting, not of the lid.

    All of it acts on linear light of the scans' profile. A scan that differs from the reference by no more than its
    uncertainty keeps its codes exactly; the reference keeps gain 1, gamma 1 and offset 0.
    `common_scale` is below 1 when a gain would have pushed white past the top. ΔE2000 before and after is
    measured on cells that the fit did not use.

    Raises UsageError when `reference_id` names no placed scan, ScanError when the flat does not fit the scans.
    """
    ids = [placement.scan_id for placement in layout.placements]
    if reference_id is not None and reference_id not in ids:
        raise UsageError(
            f"There is no scan named “{reference_id}” to take the tone from.",
            advice=f"Name one of: {', '.join(sorted(ids))}.",
        )
    placed = [
        PlacedSource(p.scan_id, sources[p.scan_id], PlacedMap.of(p, sources[p.scan_id].size)) for p in layout.placements
    ]
    scans = _scans(placed, layout)
    flat_light = None if flat is None else flat_logs(flat, scans)
    share = MEASURED_SHARE if how is ToneMatch.NONE else 1.0
    pairs = _sample_all(placed, layout, encoding, bits, share, jobs, progress)
    chosen = reference_id if reference_id is not None else chosen_reference(pairs, placed, layout, ids)
    found = ToneFit(
        chosen,
        (),
        (),
        1.0,
        f"linear light of {encoding.name}",
        how=how,
        flat=None if flat is None else flat.use,
        slope_source=_slope_source(placed, has_flat=flat is not None),
    )
    if how is ToneMatch.NONE:
        return _as_scanned(found, pairs, ids, encoding)
    maps = [scan.placed for scan in placed]
    found, lit_so = _evened(found, pairs, scans, maps, flat_light)
    tones = _tones(lit_so.matches, lit_so.logs, ids)
    return replace(
        found,
        scans=tones,
        pairs=tuple(_pair_tone(*both, lit_so.matches, ids, encoding) for both in zip(pairs, lit_so.pairs, strict=True)),
        common_scale=_common_scale(placed, tones, encoding, bits, painting_px, jobs, progress),
        gain_slope_percent=gain_slope_percent(lit_so.matches.gains, maps),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Lit:
    """Samples under the light of `logs` (None: as scanned), and the tones that fit them."""

    pairs: list[PairSamples]
    matches: Matches
    logs: Logs | None

    def under(self, raw: list[PairSamples], logs: Logs, scans: Scans, chosen: str, solve: Solve) -> _Lit:
        """The samples under other light, that of the reference unchanged on average."""
        logs = about(logs, chosen, scans.sizes)
        seen = [lit(pair, logs, scans.sizes) for pair in raw]
        return _Lit(seen, solve(seen), logs)


def _evened(
    found: ToneFit, pairs: list[PairSamples], scans: Scans, maps: list[PlacedMap], flat_light: Logs | None
) -> tuple[ToneFit, _Lit]:
    """Tones with the light within the scans evened out as far as it is known: by the flat, then by the overlaps."""
    chosen, reference = found.reference_id, scans.ids.index(found.reference_id)

    def solve(shown: list[PairSamples]) -> Matches:
        return match(shown, scans.ids, reference, found.how)

    bare = now = _Lit(pairs, solve(pairs), None)
    if flat_light is not None:
        now = bare.under(pairs, flat_light, scans, chosen, solve)
        require_agreement(pairs, bare.matches, now.pairs, now.matches, scans)
    if found.how is not ToneMatch.FULL:
        return found, now
    if found.slope_source is SlopeSource.UNKNOWN and scans.is_one_bed:
        slope = held_slope(now.matches.gains, maps)
        if slope is not None:
            found = replace(found, held_slope_percent=slope.percent)
            now = now.under(pairs, slope_logs(slope, maps, scans), scans, chosen, solve)
    even = even_out(now.pairs, scans, reference, now.matches, found.slope_source, solve)
    if even is None:
        return found, now
    before = now.logs
    logs = even.logs if before is None else {n: (step, before[n][1] + log) for n, (step, log) in even.logs.items()}
    spans = {name: span_percent(log, scans.sizes[name]) for name, log in logs.items()}
    told = Evenness(even.before_l, even.after_l, max(spans.values()), spans[chosen])
    return replace(found, evenness=told), _Lit(even.pairs, even.matches, logs)


def _scans(placed: list[PlacedSource], layout: Layout) -> Scans:
    return Scans(
        [scan.scan_id for scan in placed],
        {scan.scan_id: scan.source.size for scan in placed},
        {scan.scan_id: layout.canvas_ppi / scale_of(scan.placed.canvas_from_straight) for scan in placed},
    )


def _slope_source(placed: list[PlacedSource], *, has_flat: bool) -> SlopeSource:
    if has_flat:
        return SlopeSource.FLAT
    turns = {nearest_turn_deg(scan.placed.canvas_from_straight) for scan in placed}
    return SlopeSource.TURNED_PIECES if len(turns) > 1 else SlopeSource.UNKNOWN


def _sample_all(
    placed: list[PlacedSource],
    layout: Layout,
    encoding: Encoding,
    bits: int,
    share: float,
    jobs: int,
    progress: Progress,
) -> list[PairSamples]:
    """Cells of every two scans that share enough. `share` : of the rows of cells that a match takes."""

    def of_pair(pair: tuple[PlacedSource, PlacedSource]) -> PairSamples | None:
        a, b = pair
        grid = common_cells(a.placed, b.placed, layout.canvas, layout.canvas_ppi)
        if grid.is_usable.sum() < FEWEST_CELLS:
            return None
        samples = sample_pair(a, b, grid, encoding, bits, share)
        is_enough = (~samples.is_heldout).sum() >= FEWEST_CELLS and samples.is_heldout.any()
        return samples if is_enough else None

    found = []
    todo = list(combinations(placed, 2))
    with (
        progress.task("Comparing tones", len(todo)) as task,
        ThreadPoolExecutor(max(1, min(jobs, MOST_THREADS)), thread_name_prefix="tone") as pool,
    ):
        for samples in pool.map(of_pair, todo):
            found.append(samples)
            task.advance()
    return [samples for samples in found if samples is not None]


def _as_scanned(found: ToneFit, pairs: list[PairSamples], ids: list[str], encoding: Encoding) -> ToneFit:
    """Every scan as it is, with the differences that leaves."""
    none = Matches.none(len(ids))
    measured = tuple(_pair_tone(pair, pair, none, ids, encoding) for pair in pairs)
    return replace(found, scans=_tones(none, None, ids), pairs=measured)


def _tones(matches: Matches, logs: Logs | None, ids: list[str]) -> tuple[ScanTone, ...]:
    found = []
    for k, name in enumerate(ids):
        gain, gamma, offset = (
            tuple(float(v) for v in one[k]) for one in (matches.gains, matches.gammas, matches.offsets)
        )
        field = None if logs is None else recorded(logs[name])
        found.append(ScanTone(name, gain, offset, field, gamma))  # type: ignore[arg-type]
    return tuple(found)


def _common_scale(
    placed: list[PlacedSource],
    tones: tuple[ScanTone, ...],
    encoding: Encoding,
    bits: int,
    painting_px: FloatArray | None,
    jobs: int,
    progress: Progress,
) -> float:
    def of_scan(pair: tuple[PlacedSource, ScanTone]) -> float:
        scan, tone = pair
        here = None if painting_px is None else scan.placed.scan_from_canvas(painting_px)
        source = evened(scan.source, tone.field, encoding)
        return scale_for_white(source, tone, encoding, bits, here)

    scale = 1.0
    with (
        progress.task("Looking for white", len(placed)) as task,
        ThreadPoolExecutor(max(1, min(jobs, MOST_THREADS)), thread_name_prefix="tone") as pool,
    ):
        for needed in pool.map(of_scan, zip(placed, tones, strict=True)):
            scale = min(scale, needed)
            task.advance()
    return scale


def _pair_tone(
    before: PairSamples, after: PairSamples, matches: Matches, ids: list[str], encoding: Encoding
) -> PairTone:
    """`after` : the same samples with their light evened out."""
    a, b = ids.index(before.scan_a), ids.index(before.scan_b)
    held = before.is_heldout
    raw = mean_delta_e_2000(
        encoding.lab_of_linear(before.linear_a[held]), encoding.lab_of_linear(before.linear_b[held])
    )
    matched = mean_delta_e_2000(
        encoding.lab_of_linear(matches.of(a, after.linear_a[held])),
        encoding.lab_of_linear(matches.of(b, after.linear_b[held])),
    )
    return PairTone(before.scan_a, before.scan_b, int(held.sum()), raw, matched)
