"""The colours of the seam map, held against published simulations of colour vision.

Machado, Oliveira, Fernandes, "A Physiologically-based Model for Simulation of Color Vision Deficiency", IEEE TVCG
15(6), 1291-1298, 2009: matrices for severity 1.0 as held in colour-science (`matrix_cvd_Machado2009`), applied to
linear light. Distances are CIEDE2000 as computed by colour-science. The limits are the project's own.
"""

from __future__ import annotations

import itertools
import math
import warnings

import numpy as np
import pytest

from stitch.report import scale, seam_map

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour
    from colour.blindness import matrix_cvd_Machado2009

VISIONS = ("normal", "Protanomaly", "Deuteranomaly", "Tritanomaly")
LEAST_APART_DE00 = 10.0


def simulation(vision: str) -> np.ndarray:
    """The published matrix; colour-science warns that tritanopia is an approximation in the model itself."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return matrix_cvd_Machado2009(vision, 1.0)


def lab(colours: tuple[str, ...], vision: str) -> np.ndarray:
    matrix = np.eye(3) if vision == "normal" else simulation(vision)
    linear = colour.cctf_decoding(np.array([scale.rgb(c) for c in colours]) / 255, "sRGB")
    xyz = colour.RGB_to_XYZ(np.clip(linear @ matrix.T, 0, 1), "sRGB")
    return colour.XYZ_to_Lab(xyz, colour.RGB_COLOURSPACES["sRGB"].whitepoint)


def luminance(colour_: str) -> float:
    """Relative luminance by WCAG 2.2, definition of "relative luminance"."""
    parts = [c / 255 for c in scale.rgb(colour_)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(first: str, second: str) -> float:
    high, low = sorted((luminance(first), luminance(second)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("vision", VISIONS)
def test_seam_colours_rise_in_lightness_and_stay_apart(vision: str) -> None:
    values = lab(tuple(kind.colour for kind in scale.STEP_CLASSES), vision)
    assert np.diff(values[:, 0]).min() > 7.0
    for a, b in itertools.combinations(values, 2):
        assert colour.delta_E(a, b, method="CIE 2000") > LEAST_APART_DE00


@pytest.mark.parametrize("vision", VISIONS)
def test_tints_stay_apart(vision: str) -> None:
    for a, b in itertools.combinations(lab(scale.TINTS, vision), 2):
        assert colour.delta_E(a, b, method="CIE 2000") > 15.0


def test_seam_lines_stand_out_from_their_casing() -> None:
    for kind in (*scale.STEP_CLASSES, scale.UNKNOWN_STEP):
        assert contrast(kind.colour, scale.CASING_COLOUR) >= 3.0  # WCAG 2.2, 1.4.11, graphical objects


def test_words_on_the_picture_are_readable() -> None:
    assert contrast(seam_map.INK, seam_map.BOARD) >= 4.5  # WCAG 2.2, 1.4.3
    assert contrast(seam_map.QUIET_INK, seam_map.BOARD) >= 4.5


def test_line_width_rises_with_the_step() -> None:
    widths = [kind.width_px for kind in scale.STEP_CLASSES]
    assert widths == sorted(set(widths))


@pytest.mark.parametrize(
    ("step", "words"),
    [
        (0.0, "under 0.5"),
        (0.499, "under 0.5"),
        (0.5, "0.5 to 1"),
        (1.0, "1 to 2"),
        (3.99, "2 to 4"),
        (9.0, "4 and more"),
    ],
)
def test_each_step_has_its_class(step: float, words: str) -> None:
    assert scale.range_words(scale.step_class(step)) == words


def test_a_step_that_is_no_number_is_not_called_quiet() -> None:
    assert scale.step_class(math.nan) is scale.UNKNOWN_STEP


@pytest.mark.parametrize("seed", range(6))
def test_neighbouring_areas_never_share_a_tint(seed: int) -> None:
    rng = np.random.default_rng(seed)
    columns, rows = rng.integers(2, 6, 2)
    labels = np.kron(np.arange(1, columns * rows + 1).reshape(rows, columns), np.ones((9, 7))).astype(np.uint8)
    tints = scale.tint_of_labels(labels, int(columns * rows))
    for one, other in ((labels[:, :-1], labels[:, 1:]), (labels[:-1], labels[1:])):
        for a, b in zip(one.ravel(), other.ravel(), strict=True):
            assert a == b or tints[a - 1] != tints[b - 1]
