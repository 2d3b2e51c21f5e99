"""A draft says of itself that it is one, and shows the regions that were asked for."""

from __future__ import annotations

import numpy as np

from stitch.report import draft, seam_map
from tests.report.test_seam_map import flat_case, margin


def test_a_light_band_with_words_lies_above_the_picture() -> None:
    picture = np.full((300, 1000, 3), 40, np.uint8)
    drawn = draft.with_notice(picture, "3 % of the picture would come from another scan")
    band = drawn.shape[0] - 300
    assert np.array_equal(drawn[band:], picture)
    assert np.median(drawn[:band]) > 200 and (drawn[:band].min(axis=2) < 60).sum() > 500


def test_a_region_is_outlined_where_it_lies() -> None:
    case = flat_case((0.1,) * 40)
    region = draft.Region("prefer left", ((200.0, 400.0), (600.0, 400.0), (600.0, 1000.0), (200.0, 1000.0)))
    plain, drawn = (
        seam_map.draw(*case, canvas_ppi=300.0, px_per_preview=2.0, regions=regions).astype(int)
        for regions in ((), (region,))
    )
    edge = margin(drawn, case)
    changed = np.abs(drawn - plain).max(axis=2)[edge:, edge:] > 20
    assert changed[350, 96:105].any() and changed[350, 296:305].any()  # canvas x 200 and 600 at half the size
    assert changed[496:505, 200].any()
    assert not changed[250:450, 115:285].any()
