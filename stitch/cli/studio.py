"""The studio file: what is the same for every painting of one studio, so that it need not be typed each time.

It is a small TOML file named `studio.toml` in the user's settings folder for `stitch`, or the one given with
`--studio FILE`:

    creator = "Studio Halde"
    rights = "© 2026 Studio Halde"
    unit = "cm"                # of lengths written without one
    scan-dpi = 600             # for scans that do not say
    dpi = 300                  # of the master
    measured = "sheet"         # or "paint"
    tolerance = "2mm"
    profile = "scanner.icc"    # for scans without one; seen from where this file lies
    scanner = "scanner.json"   # your scanner's own shape; written there when it is missing
    memory = "2GB"
    jobs = 2

Every line may be left out. What is typed on the command line goes before it.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import typer

from stitch.cli import amounts
from stitch.cli.lengths import Unit
from stitch.errors import UsageError
from stitch.model.settings import Measured

FILE_NAME = "studio.toml"


@dataclass(frozen=True, slots=True)
class Studio:
    """Defaults of a studio: by field of `JoinSettings`, and the unit of bare lengths."""

    settings: dict[str, Any] = field(default_factory=dict)
    unit: Unit | None = None


def default_path() -> Path:
    """Where the studio file is looked for when none is named."""
    return Path(typer.get_app_dir("stitch")) / FILE_NAME


def load_studio(path: Path | None) -> Studio:
    """Read the file named, or the one in the settings folder if there is one. Raises UsageError naming the line."""
    if path is None:
        path = default_path()
        if not path.is_file():
            return Studio()
    try:
        plain = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise UsageError(f"The studio file {path} could not be read: {error.strerror}.") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise UsageError(
            f"The studio file {path} is not understood: {error}.", advice='Write lines like creator = "Studio Halde".'
        ) from error
    return _studio(plain, path)


def _studio(plain: dict[str, Any], path: Path) -> Studio:
    unknown = [key for key in plain if key not in _KEYS and key != "unit"]
    if unknown:
        raise UsageError(
            f"The studio file {path} has a line {unknown[0]!r} that means nothing here.",
            advice=f"It may hold: {', '.join(sorted((*_KEYS, 'unit')))}.",
        )
    unit = _read(path, "unit", lambda: Unit(plain["unit"])) if "unit" in plain else None
    settings = {}
    for key, value in plain.items():
        if key in _KEYS:
            name, read = _KEYS[key]
            settings[name] = _read(path, key, lambda read=read, value=value: read(value, unit, path))  # type: ignore[misc]
    return Studio(settings, unit)


def _read(path: Path, key: str, read: Callable[[], Any]) -> Any:
    try:
        return read()
    except (ValueError, TypeError) as error:
        raise UsageError(f"The studio file {path}: {key} is not right: {error}.") from error
    except UsageError as error:
        raise UsageError(f"The studio file {path}: {error.message}", advice=error.advice) from error


def _text(value: Any, unit: Unit | None, path: Path) -> str:
    if not isinstance(value, str):
        raise TypeError('it has to be a text in "quotes"')
    return value


def _dpi(value: Any, unit: Unit | None, path: Path) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise TypeError("it has to be a number")
    return amounts.dpi(value, what="resolution")


def _jobs(value: Any, unit: Unit | None, path: Path) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise TypeError("it has to be a whole number")
    return amounts.jobs(value)


def _profile(value: Any, unit: Unit | None, path: Path) -> str:
    profile = path.absolute().parent / _text(value, unit, path)
    if not profile.is_file():
        raise ValueError(f"{profile} is not there")
    return str(profile)


def _scanner(value: Any, unit: Unit | None, path: Path) -> str:
    return str(path.absolute().parent / _text(value, unit, path))


_KEYS: dict[str, tuple[str, Callable[[Any, Unit | None, Path], Any]]] = {
    "creator": ("creator", _text),
    "rights": ("rights", _text),
    "scan-dpi": ("scan_dpi", _dpi),
    "dpi": ("dpi", _dpi),
    "measured": ("measured", lambda value, unit, path: Measured(value)),
    "tolerance": ("tolerance_mm", lambda value, unit, path: amounts.tolerance_mm(str(value), unit=unit)),
    "profile": ("profile_path", _profile),
    "scanner": ("scanner_path", _scanner),
    "memory": ("memory_mb", lambda value, unit, path: amounts.memory_mb(str(value))),
    "jobs": ("jobs", _jobs),
}
