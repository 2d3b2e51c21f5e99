from __future__ import annotations

import numpy as np
import pytest

from stitch.compose.run import compose
from stitch.compose.windows import Plan
from stitch.errors import UsageError
from stitch.imaging.labels import labels_at
from stitch.imaging.pyramid import reach_px
from stitch.imaging.resample import sample
from stitch.model.seams import LabelMap
from stitch.seams.cut import cut
from tests.held import HeldSource
from tests.seams.pieces import SRGB, Pieces, flat, grid, picture, scanned, tiled, toned

LEVELS = 3
WIDE, HIGH = 430, 370
GREY = 1234


def plan(band_px: int, block_px: int, threads: int = 1, levels: int = LEVELS) -> Plan:
    return Plan(band_px, block_px, threads, levels, reach_px(levels), 0)


def cut_of(pieces: Pieces) -> LabelMap:
    return cut(pieces.sources, pieces.layout, pieces.untoned, SRGB, bits=pieces.bits, memory_mb=500)


def straight(pieces: Pieces, x_px: int) -> LabelMap:
    """Two scans, the second from column `x_px` on (a multiple of 10)."""
    canvas = pieces.layout.canvas
    cells = np.ones((-(-canvas.height_px // 10), -(-canvas.width_px // 10)), dtype=np.uint8)
    cells[:, x_px // 10 :] = 2
    return LabelMap(cells, 10, tuple(pieces.sources))


def composed(pieces: Pieces, label_map: LabelMap, sizes: Plan | None = None, tables=None, **changes):
    rows, labels = [], []

    def write_rows(pixels, band_labels):
        rows.append(pixels)
        labels.append(band_labels)

    settings = {"bits": pieces.bits, "memory_mb": 800, "jobs": 2, "uncovered_code": (GREY % 256,) * 3, **changes}
    compose(
        pieces.sources,
        pieces.layout,
        tables or pieces.untoned,
        SRGB,
        label_map,
        write_rows=write_rows,
        plan=sizes,
        **settings,
    )
    return np.concatenate(rows), np.concatenate(labels)


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("size", [(64, 64, 1), (100, 77, 2), (256, 300, 2), (512, 512, 1)])
def test_whole_pixel_tiles_come_back_bit_for_bit(bits, size):
    whole = picture(1, WIDE, HIGH, bits=bits)
    pieces = tiled(whole, grid(whole, 3, 2, 60))
    pixels, labels = composed(pieces, cut_of(pieces), plan(*size))
    assert pixels.dtype == whole.dtype
    assert np.array_equal(pixels, whole)
    assert labels.all()


@pytest.mark.parametrize("bits", [8, 16])
def test_every_code_survives_where_scans_agree(bits):
    codes = np.arange(2**bits).astype(np.uint8 if bits == 8 else np.uint16)
    whole = np.resize(codes, (256, 256 if bits == 16 else 200))[..., None].repeat(3, axis=2)
    whole = np.ascontiguousarray(np.resize(whole, (256, 256, 3)))
    pieces = tiled(whole, {"a": (0, 0, 170, 256), "b": (90, 0, 166, 256)})
    pixels, _ = composed(pieces, straight(pieces, 130), plan(100, 100))
    assert np.array_equal(pixels, whole)


@pytest.mark.parametrize("bits", [8, 16])
def test_whole_pixel_tiles_with_a_tone_step_are_the_same_for_any_window(bits):
    whole = picture(2, WIDE, HIGH, bits=bits)
    pieces = tiled(whole, grid(whole, 2, 2, 80))
    tables = {scan_id: toned(1.0 - 0.04 * k, bits) for k, scan_id in enumerate(pieces.sources)}
    label_map = cut_of(pieces)
    first, _ = composed(pieces, label_map, plan(64, 64), tables)
    for size in ((100, 77, 2), (512, 512, 2)):
        again, _ = composed(pieces, label_map, plan(*size), tables)
        assert np.array_equal(again, first)


@pytest.mark.parametrize("seed", range(3))
def test_turned_scans_agree_between_window_sizes(seed):
    whole = picture(30 + seed, 560, 460)
    pieces = scanned(whole, grid(whole, 2, 2, 120), seed=seed)
    tables = {scan_id: toned(1.0 - 0.03 * k, 16) for k, scan_id in enumerate(pieces.sources)}
    label_map = cut_of(pieces)
    results = [composed(pieces, label_map, plan(n, n, 2, 4), tables) for n in (128, 256, 2048)]
    for pixels, labels in results[1:]:
        assert np.array_equal(labels, results[0][1])
        assert np.abs(pixels.astype(int) - results[0][0].astype(int)).max() <= 16


def test_a_smaller_master_agrees_between_window_sizes():
    whole = picture(34, 400, 300, noise=0.0)
    boxes = {k: (x - 6, y - 6, w + 12, h + 12) for k, (x, y, w, h) in grid(whole, 2, 2, 110).items()}
    pieces = scanned(whole, boxes, seed=4, scale=0.5)
    label_map = cut_of(pieces)
    first, labels = composed(pieces, label_map, plan(100, 90, 2))
    again, _ = composed(pieces, label_map, plan(512, 512))
    assert labels.all()
    assert np.abs(first.astype(int) - again.astype(int)).max() <= 16
    off = np.abs(first.astype(int) - whole)[12:-12, 12:-12]
    assert off.mean() < 400  # twice resampled, but not shifted: half a pixel would be over 1,000


def test_away_from_seams_pixels_are_the_scans_own():
    pieces = tiled(picture(4, WIDE, HIGH), {"a": (0, 0, 260, HIGH), "b": (170, 0, WIDE - 170, HIGH)})
    other = picture(5, WIDE, HIGH)  # the second scan shows something else altogether
    pieces.sources["b"] = HeldSource(np.ascontiguousarray(other[:, 170:]))
    pixels, labels = composed(pieces, straight(pieces, 210), plan(128, 128))
    edge = 210
    assert np.array_equal(pixels[:, : edge - reach_px(LEVELS)], pieces.whole[:, : edge - reach_px(LEVELS)])
    assert np.array_equal(pixels[:, edge + reach_px(LEVELS) :], other[:, edge + reach_px(LEVELS) :])
    assert (pixels[:, edge - 4 : edge + 4] != np.where(labels == 1, 0, 1)[:, edge - 4 : edge + 4, None]).any()
    assert (labels[:, :200] == 1).all() and (labels[:, 220:] == 2).all()


def test_scans_that_agree_are_resampled_and_nothing_else():
    whole = picture(6, 300, 260)
    pieces = scanned(whole, {"a": (-4, -4, 310, 270)}, seed=3)
    pieces.sources["b"] = pieces.sources["a"]
    placement = pieces.layout.placements[0]
    twin = type(placement)("b", placement.canvas_from_scan, placement.sigma_px)
    layout = type(pieces.layout)(pieces.layout.canvas, 300.0, (placement, twin), (), False, 0)
    pieces = Pieces(pieces.sources, layout, whole)
    pixels, labels = composed(pieces, straight(pieces, 150), plan(400, 400))
    source = pieces.sources["a"]
    alone = sample(source.pixels, source.size.window(), placement.matrix, layout.canvas.window())
    assert set(np.unique(labels)) <= {0, 1, 2}
    off = np.abs(pixels.astype(int) - alone)[labels > 0]
    assert off.max() <= 8 and off.mean() < 0.5  # the sampler's own float32 positions, window by window


def test_labels_are_those_of_the_one_function():
    whole = picture(7, WIDE, HIGH)
    pieces = scanned(whole, grid(whole, 2, 2, 90), seed=1)
    label_map = cut_of(pieces)
    _, labels = composed(pieces, label_map, plan(90, 110))
    assert np.array_equal(labels, labels_at(label_map, pieces.maps, pieces.layout.canvas.window()))


def test_uncovered_canvas_has_the_code_asked_for():
    whole = picture(8, WIDE, HIGH)
    pieces = tiled(whole, {"a": (0, 0, 200, 300), "b": (150, 0, 200, 300)})
    pixels, labels = composed(pieces, cut_of(pieces), plan(100, 100), uncovered_code=(1, 2, 3))
    assert np.array_equal(pixels[:300, :350], whole[:300, :350])
    assert (pixels[labels == 0] == (1, 2, 3)).all()
    assert (labels[300:] == 0).all() and (labels[:, 350:] == 0).all()


def test_nothing_wraps_at_black_and_white():
    rng = np.random.default_rng(9)
    whole = (rng.random((300, 400, 3)) < 0.5).astype(np.uint16) * 65535
    pieces = scanned(whole, {"a": (-10, -10, 260, 320), "b": (150, -10, 260, 320)}, seed=2)
    pieces.sources["b"] = HeldSource(65535 - pieces.sources["b"].pixels)
    label_map = straight(pieces, 200)
    pixels, labels = composed(pieces, label_map, plan(256, 256), {"a": toned(1.0, 16), "b": toned(1.3, 16)})
    away = np.abs(np.arange(400) - 200) > reach_px(LEVELS)
    for label, scan_id in ((1, "a"), (2, "b")):
        source, matrix = pieces.sources[scan_id], pieces.layout.placement(scan_id).matrix
        alone = sample(source.pixels, source.size.window(), matrix, pieces.layout.canvas.window()).astype(int)
        here = (labels == label) & away
        assert np.abs(pixels.astype(int) - alone)[here].max() < 20000  # a wrapped code would be off by 65,000
    flat_black = tiled(flat(0.0, 400, 300), {"a": (0, 0, 260, 300), "b": (150, 0, 250, 300)})
    flat_black.sources["b"] = HeldSource(flat(1.0, 250, 300))
    pixels, _ = composed(flat_black, straight(flat_black, 200), plan(256, 256))
    across = pixels[150, :, 1].astype(int)
    assert (np.diff(across) >= -1).all() and across[0] == 0 and across[-1] == 65535


def test_bands_come_in_order_as_new_arrays():
    pieces = tiled(picture(10, 300, 200), {"a": (0, 0, 180, 200), "b": (120, 0, 180, 200)})
    seen = []
    compose(
        pieces.sources,
        pieces.layout,
        pieces.untoned,
        SRGB,
        cut_of(pieces),
        bits=16,
        memory_mb=500,
        jobs=2,
        uncovered_code=(0, 0, 0),
        write_rows=lambda pixels, labels: seen.append((pixels, labels)),
        plan=plan(64, 64, 2),
    )
    assert [len(pixels) for pixels, _ in seen] == [64, 64, 64, 8]
    assert len({id(pixels) for pixels, _ in seen}) == 4
    assert all(labels.shape == pixels.shape[:2] for pixels, labels in seen)


def test_pixels_of_a_scan_are_read_once():
    whole = picture(11, WIDE, HIGH)
    pieces = scanned(whole, {k: (x - 6, y - 6, w + 12, h + 12) for k, (x, y, w, h) in grid(whole, 2, 2, 90).items()})
    label_map = cut_of(pieces)
    for source in pieces.sources.values():
        source.read_px = 0
    composed(pieces, label_map, plan(64, 128))
    for source in pieces.sources.values():
        assert source.read_px <= 1.05 * source.size.width_px * source.size.height_px


def test_a_failure_while_writing_stops_the_run():
    pieces = tiled(picture(12, 300, 200), {"a": (0, 0, 180, 200), "b": (120, 0, 180, 200)})

    def full_disk(pixels, labels):
        raise OSError("no space left")

    with pytest.raises(OSError, match="no space"):
        compose(
            pieces.sources,
            pieces.layout,
            pieces.untoned,
            SRGB,
            cut_of(pieces),
            bits=16,
            memory_mb=500,
            jobs=2,
            uncovered_code=(0, 0, 0),
            write_rows=full_disk,
        )


def test_the_same_run_gives_the_same_pixels():
    whole = picture(13, WIDE, HIGH)
    pieces = scanned(whole, grid(whole, 2, 2, 90), seed=5)
    label_map = cut_of(pieces)
    assert np.array_equal(composed(pieces, label_map)[0], composed(pieces, label_map)[0])


def test_one_scan_alone_is_itself():
    whole = picture(15, 300, 200, bits=8)
    pieces = tiled(whole, {"a": (0, 0, 300, 200)})
    pixels, labels = composed(pieces, cut_of(pieces))
    assert np.array_equal(pixels, whole) and (labels == 1).all()


def test_too_little_memory_is_refused_before_anything_is_read():
    pieces = tiled(picture(16, 300, 200), {"a": (0, 0, 180, 200), "b": (120, 0, 180, 200)})
    label_map = straight(pieces, 150)
    with pytest.raises(UsageError, match="The smallest that works is"):
        composed(pieces, label_map, memory_mb=100)
    assert all(source.read_px == 0 for source in pieces.sources.values())
