"""How likely a link is right.

Matches that agree and blocks that agree speak for a placement, a rival that fits nearly as well speaks against it. No
count of matches can prove more than has been tried: what deceives one match (dust, a repeated pattern) deceives
thousands. So the odds are capped at what trials with false pairs support.

- Matches (Brown and Lowe, IJCV 74(1), 2007): a match inside the overlap agrees with probability 0.6 when the placement
  is right, 0.1 when it is not.
- Blocks: one agrees with probability 0.8 when right, 0.15 when not (simulated scans); neighbours depend on each other,
  so only a third of them count.
- Rivals: odds of at most e · (what the rival leaves unexplained ÷ what this placement leaves)².
"""

from __future__ import annotations

import math

from stitch.register.agreement import Agreement
from stitch.register.candidates import Candidate

PRIOR = 0.05  # two scans of a set lie so that they overlap, before anything is looked at
TRIALS_WITHOUT_ERROR = 3000  # false pairs tried without one accepted (scripts/pair_table.py)
MATCH_RIGHT, MATCH_WRONG = 0.6, 0.1
BLOCK_RIGHT, BLOCK_WRONG = 0.8, 0.15
INDEPENDENT_BLOCKS = 1 / 3


def probability(candidate: Candidate, agreed: Agreement, margin: float = math.inf) -> float:
    """Probability that the placement is right, at most 1 − 1 / TRIALS_WITHOUT_ERROR.

    `margin` is what the best rival leaves unexplained ÷ what this placement leaves; infinite without a rival.
    """
    putative = max(candidate.putative_count, candidate.match_count)
    matches = _log_odds(candidate.match_count, putative, MATCH_RIGHT, MATCH_WRONG)
    blocks = INDEPENDENT_BLOCKS * _log_odds(agreed.agreeing_count, agreed.block_count, BLOCK_RIGHT, BLOCK_WRONG)
    evidence = math.log(PRIOR / (1 - PRIOR)) + max(matches, 0.0) + max(blocks, 0.0)
    if not math.isinf(margin):
        evidence = min(evidence, 2 * math.log(max(margin, 1.0)) + 1.0)
    wrong = 1 / (1 + math.exp(min(evidence, 50.0)))
    return 1 - max(wrong, 1 / TRIALS_WITHOUT_ERROR)


def _log_odds(agreeing: int, total: int, right: float, wrong: float) -> float:
    against = max(total - agreeing, 0)
    return agreeing * math.log(right / wrong) + against * math.log((1 - right) / (1 - wrong))
