"""The seam map as a picture: its size, its areas, its seams, its names, its scale bar."""

from __future__ import annotations

import numpy as np
import pytest

from stitch.model.seams import SeamLine
from stitch.report import lettering, scale, seam_map
from tests.report.summaries import Run, yard_painting


def flat_case(steps: tuple[float, ...], *, height: int = 1200, width: int = 900) -> tuple:
    """A grey painting in two halves with one straight seam down the middle; 2 canvas px to a preview px."""
    preview = np.full((height, width, 3), 128, np.uint8)
    labels = np.ones((height, width), np.uint8)
    labels[:, width // 2 :] = 2
    ys = np.linspace(0, 2 * height - 1, len(steps))
    points = tuple((float(width), float(y)) for y in ys)
    line = SeamLine("left", "right", points, steps, (None,) * len(steps), 1.0)
    return preview, labels, ("left", "right"), (line,)


def drawn(case: tuple, ppi: float = 300.0) -> np.ndarray:
    return seam_map.draw(*case, canvas_ppi=ppi, px_per_preview=2.0)


def margin(picture: np.ndarray, case: tuple) -> int:
    return (picture.shape[1] - case[0].shape[1]) // 2


@pytest.mark.parametrize("step", [0.1, 0.7, 1.5, 3.0, 7.0])
def test_a_seam_has_the_colour_of_its_step_where_it_lies(step: float) -> None:
    case = flat_case((step,) * 40)
    picture = drawn(case)
    edge = margin(picture, case)
    across = picture[edge + 600, edge : edge + 900].astype(int)
    wanted = np.array(scale.rgb(scale.step_class(step).colour))
    near = np.flatnonzero(np.abs(across - wanted).max(axis=1) < 12)
    assert near.size > 0
    assert abs(near.mean() - ((900 + 0.5) / 2 - 0.5)) <= 1.0  # canvas x 900 is preview x 449.75


def test_each_stretch_of_a_seam_has_its_own_colour() -> None:
    case = flat_case((0.1,) * 20 + (5.0,) * 20)
    picture = drawn(case)
    edge = margin(picture, case)
    column = picture[edge : edge + 1200, edge + 450].astype(int)
    quiet, loud = (np.array(scale.rgb(scale.step_class(step).colour)) for step in (0.1, 5.0))
    is_loud = np.abs(column - loud).max(axis=1) < np.abs(column - quiet).max(axis=1)
    assert 0.45 < is_loud.mean() < 0.55
    assert is_loud[700:1100].all() and not is_loud[100:500].any()


def test_areas_differ_and_the_painting_is_dimmed() -> None:
    preview, labels, ids, _ = flat_case((0.1,))
    preview[:] = yard_painting(900, 1200)
    picture = seam_map.draw(preview, labels, ids, (), canvas_ppi=300, px_per_preview=2.0)
    edge = (picture.shape[1] - 900) // 2
    inside = picture[edge : edge + 1200, edge : edge + 900].astype(float)
    assert inside.mean() < 0.75 * preview.mean()
    left, right = inside[1000:, :400].mean(axis=(0, 1)), inside[1000:, 500:].mean(axis=(0, 1))
    assert np.abs(left - right).max() > 20
    grey = preview.mean(axis=2)[1000:, :400]
    assert np.corrcoef(grey.ravel(), inside[1000:, :400].mean(axis=2).ravel())[0, 1] > 0.9


def test_a_place_without_scan_is_flat_and_dark() -> None:
    preview, labels, ids, _ = flat_case((0.1,))
    preview[:] = yard_painting(900, 1200)
    labels[:200] = 0
    picture = seam_map.draw(preview, labels, ids, (), canvas_ppi=300, px_per_preview=2.0)
    edge = (picture.shape[1] - 900) // 2
    assert np.ptp(picture[edge + 10 : edge + 190, edge + 10 : edge + 890].reshape(-1, 3), axis=0).max() == 0


def test_names_stand_inside_their_areas() -> None:
    case = flat_case((0.1,))
    with_names = drawn((*case[:2], ("left", "a name that is far too long for half of a painting of this size"), ()))
    edge = margin(with_names, case)
    white = (with_names[edge : edge + 1200, edge : edge + 900] == 255).all(axis=2)
    assert white[:, :440].sum() > 100 and white[:, 460:].sum() > 100
    columns = np.flatnonzero(white[:, 450:].any(axis=0)) + 450
    assert columns.min() > 450 and columns.max() < 899


@pytest.mark.parametrize("shape", [(60, 40), (30, 400), (700, 500), (1600, 300)])
def test_pictures_of_any_size_are_large_enough_to_read(shape: tuple[int, int]) -> None:
    labels = np.ones(shape, np.uint8)
    picture = seam_map.draw(np.full((*shape, 3), 90, np.uint8), labels, ("one",), (), canvas_ppi=600, px_per_preview=8)
    assert picture.dtype == np.uint8
    times = (picture.shape[1] - 2 * round(36 * max(picture.shape) / 1600)) / shape[1]
    assert max(shape) * times >= 950


@pytest.mark.parametrize(("ppi", "per_preview"), [(600.0, 8.0), (300.0, 3.7), (720.0, 14.2)])
def test_scale_bars_have_the_length_they_state(ppi: float, per_preview: float) -> None:
    preview, labels, ids, _ = flat_case((0.1,))
    picture = seam_map.draw(preview, labels, ids, (), canvas_ppi=ppi, px_per_preview=per_preview)
    strip = picture[1200 + margin(picture, (preview,)) + 10 :]
    rows = (strip == scale.rgb(seam_map.INK)).all(axis=2)
    runs = sorted({longest_run(row) for row in rows} - {0})
    picture_ppi = ppi / per_preview
    room = round(picture.shape[1] * 0.42) * 0.8
    for per_unit in (picture_ppi / 2.54, picture_ppi):
        length = seam_map.round_length(room / per_unit) * per_unit
        assert min(abs(run - length) for run in runs) <= 2.0


def longest_run(row: np.ndarray) -> int:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], row.astype(int), [0]])))
    return int((edges[1::2] - edges[::2]).max()) if edges.size else 0


@pytest.mark.parametrize(("most", "wanted"), [(9.9, 5), (10.0, 10), (0.3, 0.2), (2.0, 2), (499, 200), (1.0, 1)])
def test_round_lengths(most: float, wanted: float) -> None:
    assert seam_map.round_length(most) == pytest.approx(wanted)


@pytest.mark.parametrize("seed", range(5))
def test_the_widest_place_lies_inside(seed: int) -> None:
    rng = np.random.default_rng(seed)
    mask = np.zeros((300, 400), bool)
    top, left = rng.integers(5, 100, 2)
    height, width = rng.integers(60, 180, 2)
    mask[top : top + height, left : left + width] = True
    aspect = float(rng.uniform(0.6, 5))
    x, y, room = seam_map.widest_place(mask, aspect)
    largest = min(width, height * aspect)
    assert largest * 0.9 - 4 <= room <= largest + 3
    assert left - 2 <= x - room / 2 and x + room / 2 <= left + width + 2
    assert top - 2 <= y - room / aspect / 2 and y + room / aspect / 2 <= top + height + 2


def test_stretches_cover_the_whole_seam_once() -> None:
    (line,) = flat_case((0.1, 0.2, 3.0, 3.0, 0.1))[3]
    runs = list(seam_map.class_runs(line))
    assert [kind.from_de00 for kind, _ in runs] == [0.0, 2.0, 0.0]
    ends = [(points[0, 1], points[-1, 1]) for _, points in runs]
    assert ends[0][0] == line.points_px[0][1] and ends[-1][1] == line.points_px[-1][1]
    assert [end for _, end in ends[:-1]] == [start for start, _ in ends[1:]]


@pytest.mark.parametrize(
    ("name", "wanted"),
    [("Küche", "Kuche"), ("groß", "gross"), ("łódź", "lodz"), ("a🎨b", "a?b"), ("漢", "?"), ("ok 1", "ok 1")],
)
def test_names_are_put_into_letters_the_font_has(name: str, wanted: str) -> None:
    assert lettering.drawable(name) == wanted


def test_the_font_has_every_letter_that_may_be_drawn() -> None:
    missing = lettering.font(40).getmask("\N{GREEK CAPITAL LETTER DELTA}")
    for code in range(0x21, 0x7F):
        mask = lettering.font(40).getmask(chr(code))
        assert bytes(mask) != bytes(missing), chr(code)


def test_long_names_lose_their_middle() -> None:
    short = lettering.shortened("the beginning and the end", 20, 150)
    assert short.startswith("the") and short.endswith("end") and lettering.ELLIPSIS in short
    assert lettering.width_px(short, 20) <= 150


def test_labels_of_another_size_are_refused() -> None:
    preview, labels, ids, lines = flat_case((0.1,))
    with pytest.raises(ValueError, match="differ in size"):
        seam_map.draw(preview, labels[1:], ids, lines, canvas_ppi=300, px_per_preview=2)


def test_twelve_scans_with_odd_names() -> None:
    run = Run(5, columns=3, rows=4)
    run.seams()
    labels = run.labels(300, 548)
    picture = seam_map.draw(
        yard_painting(300, 548), labels, run.names, run.cut, canvas_ppi=600, px_per_preview=run.canvas.width_px / 300
    )
    assert picture.ndim == 3 and picture.shape[0] > picture.shape[1]
