"""Blank paper is linked by its tooth, where the scans share any, and not otherwise."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from stitch.imaging.affine import apply
from stitch.model.geometry import Size
from stitch.register.features import detect
from stitch.register.pairs import Pair
from stitch.register.reduced import Reduced
from stitch.register.tooth import try_tooth

WIDTH, HEIGHT = 420, 520


def sheet_of_paper(seed: int, roughness: float) -> NDArray[np.float32]:
    rng = np.random.default_rng(seed)
    tooth = cv2.GaussianBlur(rng.standard_normal((900, 900)).astype(np.float32), (0, 0), 1.6)
    return np.asarray(0.85 + roughness * tooth / tooth.std(), np.float32)


def piece_of(sheet: NDArray[np.float32], name: str, x: float, y: float, angle_deg: float, seed: int) -> Reduced:
    turn = cv2.getRotationMatrix2D((x, y), angle_deg, 1.0) - np.array([[0, 0, x], [0, 0, y]])
    grey = np.asarray(cv2.warpAffine(sheet, turn, (WIDTH, HEIGHT), flags=cv2.INTER_CUBIC))
    noise = np.random.default_rng(seed).normal(0, 0.004, (HEIGHT, WIDTH, 3))
    codes = np.clip((grey[..., None] + noise) * 65535, 0, 65535).astype(np.uint16)
    return Reduced(name, codes, 1, Size(WIDTH, HEIGHT))


@pytest.mark.parametrize("seed", [1, 2])
def test_blank_pieces_of_one_rough_sheet_are_linked_where_they_lie(seed: int) -> None:
    sheet = sheet_of_paper(seed, 0.02)
    a, b = piece_of(sheet, "a", 60, 60, 0.6, seed + 10), piece_of(sheet, "b", 320, 80, -1.1, seed + 20)
    found = try_tooth(a, b, detect(a), detect(b), 1.0)
    assert isinstance(found, Pair)
    there = np.array([[20.0, 100.0], [20.0, 400.0], [120.0, 250.0]])

    def truly(point: NDArray[np.float64]) -> NDArray[np.float64]:
        into_b = cv2.getRotationMatrix2D((320, 80), -1.1, 1.0) - np.array([[0, 0, 320], [0, 0, 80]])
        into_a = cv2.getRotationMatrix2D((60, 60), 0.6, 1.0) - np.array([[0, 0, 60], [0, 0, 60]])
        return apply(into_a, apply(cv2.invertAffineTransform(into_b), point))

    off = np.hypot(*(apply(found.candidate.a_from_b, there) - truly(there)).T)
    assert off.max() < 1.5


def test_blank_pieces_that_share_nothing_are_not_linked() -> None:
    a = piece_of(sheet_of_paper(3, 0.02), "a", 60, 60, 0.0, 1)
    b = piece_of(sheet_of_paper(4, 0.02), "b", 60, 60, 0.0, 2)
    assert try_tooth(a, b, detect(a), detect(b), 1.0) is None


def test_smooth_paper_under_noise_is_not_linked() -> None:
    sheet = sheet_of_paper(5, 0.0005)
    a, b = piece_of(sheet, "a", 60, 60, 0.0, 1), piece_of(sheet, "b", 320, 80, 0.0, 2)
    assert try_tooth(a, b, detect(a), detect(b), 1.0) is None


def test_the_frame_of_the_bed_links_no_blank_pieces() -> None:
    pieces = [piece_of(sheet_of_paper(seed, 0.01), name, 60, 60, 0.0, seed) for seed, name in ((6, "a"), (7, "b"))]
    frame = np.random.default_rng(8).integers(2000, 12000, (HEIGHT, 40, 3))
    for piece in pieces:
        piece.codes[:, :40] = frame
    a, b = pieces
    assert try_tooth(a, b, detect(a), detect(b), 1.0) is None
