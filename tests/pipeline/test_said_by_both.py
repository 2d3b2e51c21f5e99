"""What a check says of scans a join says, too, in the same words; a join makes a master all the same."""

from __future__ import annotations

import numpy as np
import pytest

from fixtures.scoring.check_faults import Laid, base_case, faults, lay
from stitch.model.findings import Severity
from stitch.pipeline import join
from stitch.pipeline.checking import check
from tests.pipeline.jobs import request

BY_NAME = {fault.name: fault for fault in faults()}


@pytest.fixture(scope="module")
def faulty(tmp_path_factory: pytest.TempPathFactory) -> Laid:
    laid = lay(base_case(31, dpi=100.0, columns=2, rows=2), tmp_path_factory.mktemp("set"))
    for piece, name in enumerate(("auto-exposure", "streaks", "soft scan")):
        BY_NAME[name].put(laid, piece, np.random.default_rng(piece))
    return laid


def test_quality_is_told_once_and_in_the_same_words(faulty: Laid) -> None:
    summary = join(request(faulty.scans))
    assert summary.exit_code == 0 and summary.master is not None
    checked = {one.code: one for one in check([faulty.scans]).record.findings if one.severity is Severity.FAILED}
    assert set(checked) == {"unlike-exposure", "streaks", "soft-scan"}
    for code, one in checked.items():
        (mine,) = [finding for finding in summary.findings if finding.code == code]
        assert mine.severity is Severity.WARNING
        assert (mine.advice, mine.scan_ids) == (one.advice, one.scan_ids)
        assert mine.message.split("(")[0][:40] == one.message.split("(")[0][:40]


def test_a_mirrored_scan_is_told_when_a_join_is_refused(faulty: Laid) -> None:
    BY_NAME["mirrored"].put(faulty, 3, np.random.default_rng(3))
    summary = join(request(faulty.scans))
    assert summary.exit_code == 4 and summary.master is None
    (mine,) = [finding for finding in summary.findings if finding.code == "mirrored"]
    assert mine.scan_ids == (faulty.files[3].stem,)
