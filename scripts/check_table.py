"""Faults put into simulated scans, each alone, against what `stitch check` says of them.

python scripts/check_table.py
python scripts/check_table.py --seeds 1-10 --clean 1-20
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from collections import Counter
from pathlib import Path

if __name__ == "__main__":
    from environment import run_here

    run_here()

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import numpy as np

from fixtures.flatbed.paintings import Kind
from fixtures.scoring.check_faults import Fault, Laid, base_case, faults, lay, thin_case
from stitch.model.check import CheckRecord, Verdict
from stitch.model.findings import Severity
from stitch.pipeline.checking import check

KINDS = (Kind.OIL, Kind.WATERCOLOUR, Kind.IMPASTO, Kind.ORNAMENT)
FOREIGN_SEED = 5000


def main() -> int:
    """Run the command line; 0 when 95 % of the faults were named and at most one clean set in 60 alarmed."""
    parser = argparse.ArgumentParser(description="Faults put in, against what the check says.")
    parser.add_argument("--seeds", default="1-2", help="of the faulty sets, e.g. 1-10")
    parser.add_argument("--clean", default="1-4", help="seeds of clean sets")
    parser.add_argument("--dpi", type=float, default=120.0)
    parser.add_argument("--only", help="one fault by name")
    args = parser.parse_args()
    rows: dict[str, list[CheckRecord]] = {}
    hits: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as scratch:
        for seed in _range(args.seeds):
            _faulty(Path(scratch), seed, args.dpi, args.only, rows, hits)
        alarms = [] if args.only else _clean(Path(scratch), _range(args.clean), args.dpi)
    _print(rows, hits)
    total = sum(len(found) for found in rows.values())
    print(f"named {sum(hits.values())} of {total}")
    print(f"clean sets alarmed: {sum(bool(codes) for codes in alarms)} of {len(alarms)}", *filter(None, alarms))
    is_good = sum(hits.values()) >= 0.95 * total and 60 * sum(bool(codes) for codes in alarms) <= len(alarms)
    return 0 if is_good else 1


def _faulty(
    scratch: Path, seed: int, dpi: float, only: str | None, rows: dict[str, list[CheckRecord]], hits: Counter[str]
) -> None:
    case = base_case(seed, KINDS[seed % len(KINDS)], dpi=dpi)
    good = lay(case, scratch / f"good-{seed}")
    rng = np.random.default_rng(seed)
    for fault in faults():
        piece = int(rng.integers(len(good.files)))
        if fault.name in ("defocused edge", "lid shadow"):
            piece -= piece % good.plan.columns == good.plan.columns - 1  # its right edge has a neighbour
        if only in (None, fault.name):
            _one(scratch, good, fault, piece, rng, rows, hits)
    if only in (None, "thin overlap"):
        thin = lay(thin_case(case), scratch / f"thin-{seed}")
        record = check([thin.scans]).record
        is_hit = bool(_codes(record) & {"thin-overlap", "not-placed"})
        _note("thin overlap", record, rows, hits, is_hit=is_hit)
    if only in (None, "wrong painting"):
        other = lay(base_case(seed + FOREIGN_SEED, KINDS[seed % len(KINDS)], dpi=dpi), scratch / "foreign")
        shutil.copy(other.files[0], good.scans / "zz-foreign.tif")
        record = check([good.scans], good.plan).record
        named = any(one.code == "not-placed" and one.scan_ids == ("zz-foreign",) for one in record.findings)
        _note("wrong painting", record, rows, hits, is_hit=named)


def _one(
    scratch: Path,
    good: Laid,
    fault: Fault,
    piece: int,
    rng: np.random.Generator,
    rows: dict[str, list[CheckRecord]],
    hits: Counter[str],
) -> None:
    folder = scratch / "faulty"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(good.scans, folder)
    laid = Laid(folder, tuple(folder / path.name for path in good.files), good.dpi, good.plan)
    fault.put(laid, piece, rng)
    record = check([folder], good.plan).record
    _note(fault.name, record, rows, hits, is_hit=is_named(record, fault, good, piece))


def is_named(record: CheckRecord, fault: Fault, laid: Laid, piece: int) -> bool:
    """Whether the check says what was done, and of the right scan or place alone."""
    mine = [one for one in record.findings if one.code == fault.code]
    if fault.code == "missing":
        wanted = laid.plan.scans[piece]
        return (
            any(f"(scan {wanted.number}, {wanted.file_name})" in one.message for one in mine)
            and len(record.missing) == 1
        )
    if not fault.names_scan:
        return bool(mine)
    return {name for one in mine for name in one.scan_ids} == {laid.files[piece].stem}


def _clean(scratch: Path, seeds: list[int], dpi: float) -> list[str]:
    said = []
    for seed in seeds:
        laid = lay(base_case(seed + 900, KINDS[seed % len(KINDS)], dpi=dpi), scratch / f"clean-{seed}")
        record = check([laid.scans], laid.plan).record
        bad = [one.code for one in record.findings if one.severity is not Severity.NOTE]
        assert (record.verdict is Verdict.GOOD) or bad
        said.append(f"{seed + 900}: {', '.join(bad)};" if bad else "")
    return said


def _note(
    name: str, record: CheckRecord, rows: dict[str, list[CheckRecord]], hits: Counter[str], *, is_hit: bool
) -> None:
    rows.setdefault(name, []).append(record)
    hits[name] += is_hit
    print(f"{name:18s} {'named' if is_hit else 'NOT NAMED'}   {', '.join(sorted(_codes(record)))}", flush=True)


def _codes(record: CheckRecord) -> set[str]:
    return {one.code for one in record.findings if one.severity is not Severity.NOTE}


def _print(rows: dict[str, list[CheckRecord]], hits: Counter[str]) -> None:
    print("\nfault put in        named   said")
    for name, records in rows.items():
        said = Counter(code for record in records for code in _codes(record))
        words = ", ".join(f"{code} {count}" for code, count in said.most_common())
        print(f"{name:18s} {hits[name]:3d} of {len(records)}   {words}")


def _range(text: str) -> list[int]:
    first, _, last = text.partition("-")
    return list(range(int(first), int(last or first) + 1))


if __name__ == "__main__":
    raise SystemExit(main())
