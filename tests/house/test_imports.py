"""Imports point one way: errors, progress, model ← imaging, sheet ← rooms ← pipeline ← page ← cli."""

import ast
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2] / "stitch"
GROUND = {"errors", "progress", "model", "__init__"}
SHARED = {"imaging", "sheet"}
ROOMS = {
    "scans",
    "register",
    "tone",
    "seams",
    "compose",
    "master",
    "size",
    "report",
    "job",
    "ties",
    "wishes",
    "plan",
    "check",
    "paper",
    "dust",
    "cutout",
    "trim",
    "prints",
    "finish",
}


def place_of(path: Path) -> str:
    return path.relative_to(ROOT).parts[0].removesuffix(".py")


def imported(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "stitch":
            parts = node.module.split(".")
            found |= {parts[1]} if len(parts) > 1 else {alias.name for alias in node.names}
        elif isinstance(node, ast.Import):
            found |= {alias.name.split(".")[1] for alias in node.names if alias.name.startswith("stitch.")}
    return found - {"__version__"}


def allowed(place: str) -> set[str]:
    if place in GROUND:
        return GROUND
    if place in SHARED:
        return GROUND | {place}
    if place in ROOMS:
        return GROUND | SHARED | {place}
    if place == "pipeline":
        return GROUND | SHARED | {"pipeline"} | ROOMS
    if place == "page":
        return GROUND | SHARED | {"pipeline", "page"} | ROOMS
    return GROUND | SHARED | {"pipeline", "page", "cli"} | ROOMS


def test_imports_point_one_way() -> None:
    wrong = []
    for path in sorted(ROOT.rglob("*.py")):
        place = place_of(path)
        extra = imported(path) - allowed(place) if place != "__main__" else set()
        wrong += [f"{path.relative_to(ROOT)} imports stitch.{name}" for name in sorted(extra)]
    assert not wrong, "\n".join(wrong)


def test_only_the_terminal_prints() -> None:
    wrong = []
    for path in sorted(ROOT.rglob("*.py")):
        if place_of(path) == "cli":
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print":
                wrong.append(f"{path.relative_to(ROOT)}:{node.lineno}")
    assert not wrong, "\n".join(wrong)
