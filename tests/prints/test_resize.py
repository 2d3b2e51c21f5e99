"""Resizing: no aliasing, as sharp as the reference library, the same however the rows come."""

import numpy as np
import pytest
from PIL import Image

from stitch.model.geometry import Size
from stitch.prints.fit import Part
from stitch.prints.resize import Axis, Resizer


def resized(picture: np.ndarray, part: Part, out: Size, rows: int = 48) -> np.ndarray:
    """A grey picture (h, w), float, resized; as three equal planes go through."""
    height, width = picture.shape
    resizer = Resizer(Size(width, height), part, out)
    planes = np.repeat(picture[None].astype(np.float32), 3, axis=0)
    first, last = resizer.rows
    made = [resizer.take(planes[:, y : min(y + rows, last)], y) for y in range(first, last, rows)]
    whole = np.concatenate(made)
    assert whole.shape == (out.height_px, 3, out.width_px)
    return whole[:, 1]


def whole(picture: np.ndarray) -> Part:
    return Part(0.0, 0.0, float(picture.shape[1]), float(picture.shape[0]))


@pytest.mark.parametrize("factor", [2.0, 3.3, 6.7])
def test_a_zone_plate_does_not_alias(factor: float) -> None:
    """Energy from above the new half sampling frequency lies 40 dB and more below that from under it."""
    count = 240
    side = round(count * factor)
    y, x = np.mgrid[0:side, 0:side] - (side - 1) / 2
    rate = min(0.5, 1.0 / factor) / (side / 2)  # cycle/px per px
    plate = np.cos(np.pi * rate * (x**2 + y**2))
    made = resized(plate, whole(plate), Size(count, count))
    centre = np.abs((np.arange(count) + 0.5) * side / count - 0.5 - (side - 1) / 2)
    across, down = np.meshgrid(centre * rate * factor, centre * rate * factor)  # cycle/px of the new grid
    higher = np.maximum(across, down)
    kept, aliased = np.mean(made[higher < 0.3] ** 2), np.mean(made[(higher > 0.5) & (higher < 0.93)] ** 2)
    assert 10 * np.log10(aliased / kept) < -40
    assert kept == pytest.approx(0.5, abs=0.02)


@pytest.mark.parametrize("factor", [1.3, 2.0, 6.7])
def test_every_wave_above_the_new_half_sampling_frequency_is_gone(factor: float) -> None:
    length = round(400 * factor)
    weights = Axis(length, 0.0, float(length), 400).dense(100, 300, 0, length).astype(float).T
    at = np.arange(length)
    above = np.arange(0.5, 0.5 * factor, 0.01) / factor
    heard = np.abs(weights @ np.exp(2j * np.pi * np.outer(at, above)))
    assert 20 * np.log10(heard.max()) < -40
    kept = np.abs(weights @ np.exp(2j * np.pi * at * 0.35 / factor))
    assert kept.min() > 0.96


def response(edge_made: np.ndarray) -> np.ndarray:
    """Spatial frequency response of an upright edge's mean profile, from 0 to 0.5 cycle/px."""
    line = np.diff(edge_made[8:-8].mean(axis=0))[20:-20]
    spectrum = np.abs(np.fft.rfft(line * np.hanning(line.size)))
    return spectrum / spectrum[0]


def test_an_edge_is_as_sharp_as_the_reference_library_makes_it() -> None:
    side, factor, count = 880, 4, 220
    x = np.mgrid[0:side, 0:side][1]
    made: dict[str, list[np.ndarray]] = {"ours": [], "lanczos": [], "area": []}
    for shift in np.arange(4) / 4 * factor:  # an upright edge at four phases stands in for a slanted one
        edge = np.clip(x - side / 2 + 0.5 + shift, 0, 1).astype(np.float32)
        made["ours"].append(response(resized(edge, whole(edge), Size(count, count))))
        for name, way in (("lanczos", Image.Resampling.LANCZOS), ("area", Image.Resampling.BOX)):
            made[name].append(response(np.asarray(Image.fromarray(edge).resize((count, count), way))))
    ours, lanczos, area = (np.mean(made[name], axis=0) for name in ("ours", "lanczos", "area"))
    low = np.linspace(0, 0.5, ours.size) <= 0.35
    assert np.abs(ours[low] - lanczos[low]).max() < 0.05
    assert (ours[low] >= area[low]).all() and ours.max() <= 1.0
    assert ours[-1] < 0.02 and lanczos[-1] > 0.3  # what is left at the new half sampling frequency can only alias


def test_it_is_the_sum_that_the_kernel_says_and_does_not_depend_on_the_bands() -> None:
    picture = np.random.default_rng(4).random((301, 257))
    part, out = Part(10.25, 33.5, 200.5, 240.25), Size(61, 73)
    across = Axis(257, part.x0, part.width, out.width_px)
    down = Axis(301, part.y0, part.height, out.height_px)
    wanted = np.zeros((73, 61))
    for row in range(73):
        for column in range(61):
            block = picture[np.ix_(down.indices[row], across.indices[column])]
            wanted[row, column] = down.weights[row] @ block @ across.weights[column]
    for rows in (7, 48, 400):
        assert resized(picture, part, out, rows) == pytest.approx(wanted, abs=2e-6)


def test_equal_size_gives_the_pixels_themselves_and_flat_stays_flat() -> None:
    picture = np.random.default_rng(5).random((64, 90))
    made = resized(picture, Part(10.0, 5.0, 50.0, 40.0), Size(50, 40))
    assert made == pytest.approx(picture[5:45, 10:60], abs=1e-6)
    flat = np.full((64, 90), 0.731)
    for count in (17, 33, 131):
        assert resized(flat, whole(flat), Size(count, count)) == pytest.approx(0.731, abs=1e-6)
