"""Light and detail compared between scans that show the same."""

import cv2
import numpy as np
import pytest

from stitch.check.compare import Side, compare_all, levels
from stitch.check.exposure import exposures
from stitch.check.focus import sharpened_scans, sharpness, soft_edges, soft_scans
from stitch.check.look import Look, Watched
from stitch.check.unplaced import unlike_detail
from stitch.imaging.windows import bands
from stitch.model.geometry import Size, Window
from tests.register.cutting import texture

PPI = 100.0
WIDTH, HEIGHT, STEP = 400, 300, 280
NAMES = ("A", "B", "C")


class Pixels:
    """A source of an array."""

    def __init__(self, pixels: np.ndarray) -> None:
        self.pixels = pixels
        self.size = Size(pixels.shape[1], pixels.shape[0])

    def read(self, window: Window) -> np.ndarray:
        return self.pixels[window.y0_px : window.y1_px, window.x0_px : window.x1_px]

    def close(self) -> None:
        """Nothing to release."""


def looked(pixels: np.ndarray, rows: int = 64) -> Look:
    watched = Watched(Pixels(pixels), PPI)
    for band in bands(watched.size, rows):
        watched.read(band)
    return watched.look()


def three(seed: int, **changed: object) -> dict[str, Side]:
    """Three scans in a row, each sharing 120 px with the next; `changed` : a function on the scan of that name."""
    rng = np.random.default_rng(seed)
    whole = texture(WIDTH + 2 * STEP, HEIGHT, seed) * 0.5 + 0.25
    sides = {}
    for k, name in enumerate(NAMES):
        light = changed.get(name, lambda seen: seen)(whole[:, k * STEP : k * STEP + WIDTH])  # type: ignore[operator]
        light = light + rng.normal(0, 0.001, light.shape)
        look = looked((np.clip(light, 0, 1) * 65535).astype(np.uint16))
        rows, columns = look.detail.shape
        cut = light[: rows * look.cell_px, : columns * look.cell_px].astype(np.float32)
        cells = cv2.resize(cut, (columns, rows), interpolation=cv2.INTER_AREA)
        matrix = np.array([[0.254, 0, 0.254 * k * STEP], [0, 0.254, 0]])
        sides[name] = Side(look, cells.astype(np.float64), matrix, np.ones((rows, columns), bool))
    return sides


def soft(seen: np.ndarray) -> np.ndarray:
    return cv2.GaussianBlur(seen, (0, 0), 1.8)


def soft_at_right(seen: np.ndarray) -> np.ndarray:
    lifted = np.clip((np.arange(WIDTH) - WIDTH + 70) / 20, 0, 1)[None, :, None]
    return seen + lifted * (cv2.GaussianBlur(seen, (0, 0), 2.2) - seen)


def sharpened(seen: np.ndarray) -> np.ndarray:
    return seen + 1.5 * (seen - cv2.GaussianBlur(seen, (0, 0), 1.2))


@pytest.mark.parametrize("seed", [1, 2])
def test_alike_scans_are_alike(seed: int) -> None:
    shared = compare_all(three(seed))
    assert [(one.scan_a, one.scan_b) for one in shared] == [("A", "B"), ("B", "C")]
    sharp = sharpness(NAMES, shared)
    assert max(abs(level) for level in sharp.values()) < 0.15
    assert not any(one.is_odd for one in exposures(NAMES, shared))
    sizes = dict.fromkeys(NAMES, Size(WIDTH, HEIGHT))
    assert (
        soft_edges(shared, sharp, sizes)
        == []
        == soft_scans(sharp, shared, sizes)
        == sharpened_scans(sharp, shared, sizes)
    )


@pytest.mark.parametrize("seed", [3, 4])
def test_the_one_that_differs_is_named(seed: int) -> None:
    sizes = dict.fromkeys(NAMES, Size(WIDTH, HEIGHT))
    shared = compare_all(three(seed, B=soft))
    assert soft_scans(sharpness(NAMES, shared), shared, sizes) == ["B"]
    shared = compare_all(three(seed, B=sharpened))
    assert sharpened_scans(sharpness(NAMES, shared), shared, sizes) == ["B"]
    shared = compare_all(three(seed, A=soft_at_right))
    edges = soft_edges(shared, sharpness(NAMES, shared), sizes)
    assert [(edge.scan_id, edge.side) for edge in edges] == [("A", "right")]
    shared = compare_all(three(seed, C=lambda seen: seen * np.array([1.3, 1.28, 1.3])))
    odd = {one.scan_id: one for one in exposures(NAMES, shared) if one.is_odd}
    assert list(odd) == ["C"] and odd["C"].light == pytest.approx(1.29, abs=0.03) and not odd["C"].is_cast


def soft_far_in(seen: np.ndarray) -> np.ndarray:
    lifted = np.clip((np.arange(WIDTH) - WIDTH + 130) / 20, 0, 1)[None, :, None]
    return seen + lifted * (cv2.GaussianBlur(seen, (0, 0), 2.2) - seen)


@pytest.mark.parametrize("seed", [5, 6])
@pytest.mark.parametrize("softened", [soft, soft_far_in])
def test_softness_of_all_that_can_be_compared_is_told_of_that_edge(seed: int, softened: object) -> None:
    sizes = dict.fromkeys(NAMES, Size(WIDTH, HEIGHT))
    shared = compare_all(three(seed, A=softened))  # only its right side has a neighbour
    sharp = sharpness(NAMES, shared)
    (edge,) = soft_edges(shared, sharp, sizes)
    assert (edge.scan_id, edge.side, edge.is_only_view) == ("A", "right", True)
    assert soft_scans(sharp, shared, sizes) == []


@pytest.mark.parametrize("seed", [7, 8])
def test_a_scan_without_a_place_is_held_against_all_the_others(seed: int) -> None:
    looks = {name: side.look for name, side in three(seed).items()}
    changed = three(seed + 20, A=soft, B=sharpened)
    looks |= {f"lost {name}": side.look for name, side in changed.items()}
    found = unlike_detail(looks, NAMES, ["lost A", "lost B", "lost C"])
    assert set(found) == {"lost A", "lost B"} and found["lost A"] < -0.6 and found["lost B"] > 0.7
    assert unlike_detail(looks, NAMES[:2], ["lost A"]) == {}


def test_levels_come_from_the_largest_set_that_hangs_together_and_from_others_of_three() -> None:
    pairs = [("a", "b", 0.2, 50), ("b", "c", -0.2, 50), ("d", "e", 5.0, 50), ("c", "d", 9.0, 2)]
    found = levels("abcde", pairs)
    assert found == pytest.approx({"a": 0.0, "b": -0.2, "c": 0.0}, abs=1e-5)
    pairs += [("f", "g", 0.4, 50), ("g", "h", -0.4, 50)]
    assert levels("abcdefgh", pairs) == pytest.approx(
        {"a": 0.0, "b": -0.2, "c": 0.0, "f": 0.0, "g": -0.4, "h": 0.0}, abs=1e-5
    )
    assert levels("ab", []) == {} == levels("", [])


def test_cells_do_not_depend_on_how_a_scan_is_read_and_count_clipped_pixels() -> None:
    pixels = (texture(200, 160, 5) * 60_000 + 2000).astype(np.uint16)
    pixels[:32, 100:132, 2] = 65535
    pixels[100:, :, 0] = 0
    one, other = looked(pixels, 16), looked(pixels, 1000)
    np.testing.assert_allclose(one.high, other.high)
    np.testing.assert_allclose(one.low, other.low)
    np.testing.assert_allclose(one.detail[3:7], other.detail[3:7], rtol=0.5)
    assert one.high[0, 7].tolist() == [0, 0, 1] and one.high[5].max() == 0
    assert one.low[8, 3].tolist() == [1, 0, 0]
