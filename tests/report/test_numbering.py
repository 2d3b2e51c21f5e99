"""Numbers of scans: the same on page and map, in the order a person sorts names."""

from __future__ import annotations

import numpy as np
import pytest

from stitch.report import lettering, seam_map
from stitch.report.numbering import numbers_of
from stitch.report.sections.context import Context
from tests.report.summaries import Run


def test_digits_count_as_numbers() -> None:
    names = ["scan 10", "scan 2", "Scan 1", "a", "scan 2 page 2"]
    assert list(numbers_of(names)) == ["a", "Scan 1", "scan 2", "scan 2 page 2", "scan 10"]


@pytest.mark.parametrize("seed", range(5))
def test_the_order_the_scans_come_in_does_not_matter(seed: int) -> None:
    names = list(Run(1, columns=3, rows=4).names)
    assert numbers_of(np.random.default_rng(seed).permutation(names).tolist()) == numbers_of(names)


def test_page_and_map_use_the_same_numbers(monkeypatch: pytest.MonkeyPatch) -> None:
    run = Run(1)
    summary = run.summary()
    drawn: list[str] = []
    monkeypatch.setattr(lettering, "haloed", lambda pen, place, text, size, **more: drawn.append(text))
    labels = np.kron([[1, 2], [3, 4]], np.ones((600, 500))).astype(np.uint8)
    order = run.names[::-1]
    seam_map.draw(np.zeros((1200, 1000, 3), np.uint8), labels, order, (), canvas_ppi=600, px_per_preview=8)
    on_map = dict(zip(drawn[1::2], drawn[::2], strict=True))
    context = Context(summary, None, None, ())
    assert on_map == {lettering.drawable(name): context.number(name) for name in run.names}
