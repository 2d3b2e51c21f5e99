"""`plan.json`: the text of a plan, and back."""

from __future__ import annotations

import json
from pathlib import Path

from stitch.errors import UsageError
from stitch.model.codec import from_plain, to_plain
from stitch.model.plan import KIND, SCHEMA, ScanPlan

FILE_NAME = "plan.json"


def text_of(plan: ScanPlan) -> str:
    """The content of the file."""
    return json.dumps(to_plain(plan), ensure_ascii=False, indent=1) + "\n"


def load_plan(path: Path) -> ScanPlan:
    """Read a plan. Raises UsageError when the file is missing, none, damaged, or of another version."""
    try:
        plain = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise UsageError(f"The plan {path} could not be read: {error.strerror or error}.") from error
    except ValueError as error:
        raise _foreign(path) from error
    if not isinstance(plain, dict) or plain.get("kind") != KIND:
        raise _foreign(path)
    if plain.get("schema") != SCHEMA:
        raise UsageError(
            f"The plan {path} was written by another version of stitch.", advice="Make it again with stitch plan."
        )
    try:
        plan = from_plain(ScanPlan, plain)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise UsageError(f"The plan {path} is damaged.", advice="Make it again with stitch plan.") from error
    if [scan.number for scan in plan.scans] != list(range(1, len(plan.scans) + 1)) or not plan.scans:
        raise UsageError(f"The plan {path} is damaged.", advice="Make it again with stitch plan.")
    return plan


def _foreign(path: Path) -> UsageError:
    return UsageError(f"{path} is no plan of stitch.", advice="Name the plan.json that stitch plan wrote.")
