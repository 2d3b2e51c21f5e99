"""Everything is in view, and can be read, at the sizes of usual screens."""

from __future__ import annotations

from pathlib import Path

import pytest

from stitch.page.serve import ServedPage
from tests.page.browser import Browser
from tests.page.driving import SPOTS, entered, show_pair, tie

SIZES = [(1280, 800), (1024, 768)]
OUT_OF_VIEW = """
return [...document.querySelectorAll('button, h1, h2, h3, p, svg, .table')].filter((element) => {
  const box = element.getBoundingClientRect();
  const isShown = element.checkVisibility() && box.width && !element.closest('.wanted, .held, dialog');
  return isShown && (box.left < 0 || box.top < 0 || box.right > innerWidth + 0.5 || box.bottom > innerHeight + 0.5);
}).map((element) => element.outerHTML.slice(0, 90));
"""
PALE = """
const parse = (text) => text.match(/[\\d.]+/g).map(Number);
const linear = (v) => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
const light = ([r, g, b]) => 0.2126 * linear(r / 255) + 0.7152 * linear(g / 255) + 0.0722 * linear(b / 255);
const ground = (e) => {
  const colour = parse(getComputedStyle(e).backgroundColor);
  return colour[3] === 0 ? ground(e.parentElement) : colour;
};
const hasText = (e) => [...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim());
return [...document.querySelectorAll('body *')]
  .filter((e) => e.checkVisibility() && !e.disabled && !e.closest('svg') && hasText(e))
  .map((e) => {
    const [a, b] = [light(parse(getComputedStyle(e).color)), light(ground(e))].sort((p, q) => q - p);
    return [(a + 0.05) / (b + 0.05), e.outerHTML.slice(0, 90)];
  })
  .filter(([ratio]) => ratio < 4.5);
"""  # relative luminance and contrast as in WCAG 2.2, success criterion 1.4.3


@pytest.mark.parametrize("size", SIZES)
def test_everything_is_in_view_and_readable(
    browser: Browser, page: ServedPage, job: Path, size: tuple[int, int]
) -> None:
    browser.resize(*size)
    entered(browser, page)
    for step in (lambda: None, lambda: show_pair(browser, 0, 1), lambda: tie(browser, job, SPOTS[0], (0, 0))):
        step()
        assert browser.run(OUT_OF_VIEW) == []
        assert browser.run(PALE) == []
