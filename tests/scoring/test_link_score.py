"""What a job says of its links, held against the truth."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path

from fixtures.scoring.job_files import FinishedJob
from fixtures.scoring.layout_score import LayoutScore, PairScore
from fixtures.scoring.link_score import LinkScore, link_scores, told
from fixtures.scoring.stats import Spread

NONE = Spread(0.0, 0.0, 0.0, 0.0, 0)
GOOD = LinkScore("a", "b", True, False, 0.2, 0.1, 0.18, 0.1, 0.2, 0.99)


def job(*links: dict) -> FinishedJob:
    return FinishedJob(Path("job"), None, None, (), (), links)


def layout(*pairs: PairScore) -> LayoutScore:
    return LayoutScore(NONE, pairs, 0.0, NONE, NONE, 0.0, 0.0, (), (), ())


def test_pairs_without_a_link_and_links_without_a_pair_are_kept() -> None:
    gap = Spread(0.1, 0.2, 0.3, 0.4, 50)
    shares = (
        PairScore("a", "b", gap, 0.12, 0.2),
        PairScore("b", "c", gap, 0.12, 0.16),
        PairScore("a", "c", gap, 1, 0.02),
    )
    links = ({"scan_a": "b", "scan_b": "a", "expected_px": 0.1}, {"scan_a": "c", "scan_b": "d"})
    found = {(link.scan_a, link.scan_b): link for link in link_scores(job(*links), layout(*shares))}
    assert set(found) == {("a", "b"), ("b", "c"), ("c", "d")}
    assert found["a", "b"].is_linked and found["a", "b"].rms_px == 0.12 and not found["a", "b"].is_false
    assert not found["b", "c"].is_linked
    assert found["c", "d"].is_false


def test_what_is_told_of_the_links() -> None:
    links = [
        replace(GOOD, expected_px=0.1 * k, rms_px=0.1 * k * (2 if k > 6 else 1), p95_px=5.0, bound_px=0.15 * k)
        for k in range(1, 10)
    ]
    links += [
        replace(GOOD, is_linked=False, expected_px=None, rms_px=None),
        replace(GOOD, rms_px=40.0, expected_px=None),
    ]
    text = "\n".join(told([{"links": [asdict(link) for link in links]}, {"links": None}]))
    assert "links 10, false 1" in text
    assert "10 of 11 linked" in text
    assert "1.00, 1.00, 2.00" in text
    assert "held for 67 % of 9" in text
    assert told([{}]) == []
