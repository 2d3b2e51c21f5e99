"""Paper becomes white, paint stays as it is, and what is no paper is told apart."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from fixtures.flatbed.paintings import Kind, Tooth
from fixtures.scoring.clean_paper import PaperTruth, paper_truth
from stitch.imaging.cell_light import CellLight, cell_light, field_at
from stitch.imaging.colour import Encoding
from stitch.model.geometry import Size, Window
from stitch.paper.cover import margin_px, read_noise
from stitch.paper.lift import Lifter, Wish
from stitch.paper.tone import NoPaper, PaperTone, WhyNot, find_paper
from tests.held import HeldSource

SRGB = Encoding.of_profile(None)
PPI = 120.0
WHITE = 65535


@cache
def sheet(seed: int, kind: Kind = Kind.WATERCOLOUR, tooth: Tooth = Tooth.ROUGH, dilution: float = 1.0) -> PaperTruth:
    return paper_truth(seed, kind=kind, tooth=tooth, ppi=PPI, size_mm=(90, 90), dilution=dilution)


def paper_of(truth: PaperTruth) -> PaperTone:
    cells = cell_light(HeldSource(truth.codes), SRGB, 5, label="")
    return find_paper(cells, SRGB, np.ones(cells.rough.shape, bool), 5 * 25.4 / PPI)


def lifter_of(truth: PaperTruth, *, strength: float = 1.0, keeps_texture: bool = False) -> Lifter:
    paper = paper_of(truth)
    reading = read_noise(HeldSource(truth.codes), paper, SRGB, PPI, 0.12)
    return Lifter(paper, reading, SRGB, Wish(1.0, strength, keeps_texture), PPI)


def lifted(truth: PaperTruth, **wish: object) -> np.ndarray:
    return lifter_of(truth, **wish).lifted(truth.codes, HeldSource(truth.codes).size.window())[0]


@pytest.mark.parametrize(("seed", "dilution"), [(11, 1.0), (12, 0.4)])
def test_bare_paper_is_white_and_washes_keep_every_code(seed: int, dilution: float) -> None:
    truth = sheet(seed, dilution=dilution)
    made = lifted(truth)
    assert (made[truth.density < 0.001] == WHITE).mean() > 0.99
    paint = truth.density > 0.15
    assert paint.mean() > 0.05
    assert np.array_equal(made[paint], truth.codes[paint])


def test_a_pale_wash_stays_as_pale_on_white_as_it_was_on_the_paper() -> None:
    truth = sheet(13, tooth=Tooth.SMOOTH, dilution=0.3)
    made = lifted(truth)
    pale = (truth.density > 0.03) & (truth.density < 0.06)
    assert pale.sum() > 500
    paper = np.exp(paper_of(truth).log_light.mean(axis=(0, 1)))
    before = (SRGB.decode_codes(truth.codes)[pale] / paper).min(axis=1)
    after = SRGB.decode_codes(made)[pale].min(axis=1)
    assert np.abs(np.log10(after / before)).max() < 0.06
    assert np.median(after) < 0.96  # not eaten


def test_texture_and_strength_are_as_asked() -> None:
    truth = sheet(11)
    bare = truth.density < 0.001
    before = SRGB.decode_codes(truth.codes)[bare]
    kept, half = (
        SRGB.decode_codes(made)[bare] for made in (lifted(truth, keeps_texture=True), lifted(truth, strength=0.5))
    )
    assert kept.std(axis=0).min() > 0.6 * before.std(axis=0).max()
    assert np.median(kept) > 0.96
    assert np.allclose(np.median(half, axis=0), np.sqrt(np.median(before, axis=0)), atol=0.02)


def test_a_window_comes_out_as_the_whole_does() -> None:
    truth = sheet(12)
    lifter = lifter_of(truth)
    whole = lifter.lifted(truth.codes, HeldSource(truth.codes).size.window())[0]
    inner = Window(120, 90, 100, 80)
    around = inner.grown(margin_px(PPI))
    part = lifter.lifted(truth.codes[around.slices_in(Window(0, 0, 0, 0))], around)[0][inner.slices_in(around)]
    assert np.abs(part.astype(int) - whole[inner.slices_in(Window(0, 0, 0, 0))]).max() <= 2


@pytest.mark.parametrize(
    ("kind", "seed", "why"),
    [
        (Kind.OIL, 1, {WhyNot.LITTLE, WhyNot.DARK}),
        (Kind.IMPASTO, 2, {WhyNot.LITTLE, WhyNot.DARK}),
        (Kind.WHITE, 3, {WhyNot.UNEVEN}),
    ],
)
def test_what_has_no_blank_paper_is_refused(kind: Kind, seed: int, why: set[WhyNot]) -> None:
    with pytest.raises(NoPaper) as stop:
        paper_of(sheet(seed, kind))
    assert stop.value.why in why


def test_a_lid_around_a_painting_is_no_paper() -> None:
    light = np.full((60, 50, 3), 0.2, np.float32)
    light[:5], light[-5:], light[:, :5], light[:, -5:] = (0.85,) * 4
    rough = np.full((60, 50), 0.01, np.float32)
    cells = CellLight(light, light, rough, 10, Size(500, 600))
    with pytest.raises(NoPaper) as stop:
        find_paper(cells, SRGB, np.ones(rough.shape, bool), 1.0)
    assert stop.value.why is WhyNot.RIM


def test_a_field_is_read_at_the_cells_centres() -> None:
    coarse = np.arange(12, dtype=np.float32).reshape(3, 4)
    found = field_at(coarse, 5, Window(0, 0, 20, 15))
    assert np.allclose(found[2::5, 2::5], coarse, atol=1e-4)
    assert np.allclose(field_at(coarse, 5, Window(7, 4, 6, 5)), found[4:9, 7:13], atol=1e-4)
