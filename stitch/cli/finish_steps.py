"""The steps that `stitch finish` knows: how each reads its section of `steps.toml`, and what it runs.

A step more is one more entry of `STEPS`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from stitch.cli import amounts
from stitch.cli.lengths import Unit, parse_length_mm
from stitch.cli.print_sizes import one_size, wanted_sizes
from stitch.cli.prints import colour, kept
from stitch.errors import UsageError
from stitch.finish.steps import Wish
from stitch.model.prints import FileKind, Fit, Intent
from stitch.model.settings import Measured, Resample
from stitch.pipeline.cutting_out import CutoutRequest, cut_out
from stitch.pipeline.dusting import DustRequest, mend_dust
from stitch.pipeline.finishing import Result, Run, Step, may_replace
from stitch.pipeline.papering import PaperRequest, lift_paper
from stitch.pipeline.print_plan import PrintRequest
from stitch.pipeline.print_records import write_records
from stitch.pipeline.printing import make_prints, with_sizes
from stitch.pipeline.proofing import make_proof
from stitch.pipeline.trimming import TrimRequest, trim
from stitch.prints.fit import Room
from stitch.progress import Progress


@dataclass(frozen=True, slots=True)
class Around:
    """What every step is handed beside its own options."""

    memory_mb: int
    force: bool
    unit: Unit | None
    base: Path  # folder that paths in the file are seen from


@dataclass(frozen=True, slots=True)
class Known:
    """A step as it stands in the table: the keys of its section, and how it is made ready."""

    keys: frozenset[str]
    ready: Callable[[Mapping[str, Any], Around], Step]


def ready_steps(wishes: Sequence[Wish], around: Around) -> tuple[Step, ...]:
    """The chain ready to run. Raises UsageError naming the section."""
    made = []
    for wish in wishes:
        known = STEPS[wish.name]
        for key in wish.options:
            if key not in known.keys:
                raise UsageError(
                    f"[{wish.name}] has a line {key!r} that means nothing here.",
                    advice=f"It may hold: {', '.join(sorted(known.keys))}.",
                )
        try:
            made.append(known.ready(wish.options, around))
        except (ValueError, TypeError) as error:
            raise UsageError(f"[{wish.name}] in the steps file is not right: {error}.") from error
    return tuple(made)


def _trim(options: Mapping[str, Any], around: Around) -> Step:
    border = _length(options, "border", around) - _length(options, "inset", around)
    request = TrimRequest(
        Path(),
        to=Measured(options.get("to", "sheet")),
        border_mm=border,
        limit_deg=float(options.get("limit", 0.3)),
        only_turn=bool(options.get("only-turn", False)),
        width_mm=_side(options, "width", around),
        height_mm=_side(options, "height", around),
        resample=Resample(options.get("resample", "usual")),
        memory_mb=around.memory_mb,
        force=around.force,
    )

    def run(picture: Path, folder: Path, parts: Sequence[str], progress: Progress) -> Result:
        done = trim(replace(request, path=picture, out=folder), progress)
        assert done.picture is not None
        return Result({"": (done.picture, done.outline)})

    return _single("trim", options, run)


def _paper(options: Mapping[str, Any], around: Around) -> Step:
    request = PaperRequest(
        Path(),
        white=float(options.get("white", 100.0)),
        strength=float(options.get("strength", 100.0)) / 100,
        keeps_texture=bool(options.get("keep-texture", False)),
        density=float(options.get("density", 0.12)),
        at_mm=None if "at" not in options else amounts.place_mm(options["at"], what="at", unit=around.unit),
        memory_mb=around.memory_mb,
        force=around.force,
    )

    def run(picture: Path, folder: Path, parts: Sequence[str], progress: Progress) -> Result:
        done = lift_paper(replace(request, path=picture, out=folder), progress)
        return Result({"": (done.picture, done.mask, done.comparison)})

    return _single("paper", options, run)


def _dust(options: Mapping[str, Any], around: Around) -> Step:
    """Proven by the job beside the steps file; the list of specks is the painter's and counts as a setting."""
    request = DustRequest(
        Path(),
        job=around.base if (around.base / "job.json").is_file() else None,
        mend=tuple(int(number) for number in options.get("mend", ())),
        keep=tuple(int(number) for number in options.get("keep", ())),
        limit=float(options.get("limit", 0.5)) / 100,
        memory_mb=around.memory_mb,
        force=around.force,
    )

    def run(picture: Path, folder: Path, parts: Sequence[str], progress: Progress) -> Result:
        done = mend_dust(replace(request, path=picture, out=folder), progress)
        if done.picture is None:
            raise UsageError(
                f"More than {100 * request.limit:g} % of the picture would be mended, so nothing was.",
                advice=f"Look at {done.sheet.name}, keep what is paint, or raise limit in [dust].",
            )
        return Result({"": (done.picture, done.mask, done.sheet)})

    return replace(_single("dust", options, run), lists="*_dust.csv")


def _cutout(options: Mapping[str, Any], around: Around) -> Step:
    ground = options.get("ground")
    request = CutoutRequest(
        Path(),
        ground_mm=None if ground is None else amounts.place_mm(ground, what="ground", unit=around.unit),
        opens_holes=bool(options.get("holes", False)),
        margin_mm=_length(options, "margin", around) if "margin" in options else 2.0,
        width_mm=_side(options, "width", around),
        height_mm=_side(options, "height", around),
        dpi=None if "dpi" not in options else amounts.dpi(float(options["dpi"]), what="dpi"),
        bits=int(options.get("bits", 16)),
        memory_mb=around.memory_mb,
        force=around.force,
    )

    def run(picture: Path, folder: Path, parts: Sequence[str], progress: Progress) -> Result:
        done = cut_out(replace(request, path=picture, out=folder), progress)
        return Result({"": (done.picture, done.mask, done.comparison)})

    return Step("cutout", 1, {"": options}, run, goes_on=False)


def _prints(options: Mapping[str, Any], around: Around) -> Step:
    request = _print_request(options, around, wanted_sizes(str(options["sizes"]), unit=around.unit, own={}))
    others = {key: value for key, value in options.items() if key not in ("sizes", "paper", "copies")}
    if request.profile_path is not None:
        others["profile"] = str(request.profile_path.stat().st_mtime_ns)
    parts = {one.size.name: {**others, "fit": (one.fit or request.fit or "")} for one in request.wanted}

    def run(picture: Path, folder: Path, names: Sequence[str], progress: Progress) -> Result:
        asked = replace(with_sizes(request, set(names)), path=picture, out=folder)
        done = make_prints(asked, progress, may_replace=_ours(folder, around))
        if done.prints:
            write_records(done, asked)
        return Result(
            {one.frame.size.name: (one.path,) for one in done.prints},
            {left_out.name: left_out.why for left_out in done.skipped},
        )

    return Step("prints", 1, parts, run, goes_on=False)


def _proof(options: Mapping[str, Any], around: Around) -> Step:
    sheet = one_size(str(options.get("sheet", "A4")), what="sheet", unit=around.unit)
    sizes = str(options.get("size", ""))
    plain = {key: value for key, value in options.items() if key not in ("sheet", "size")}
    request = _print_request(plain, around, wanted_sizes(sizes, unit=around.unit, own={}) if sizes else ())

    def run(picture: Path, folder: Path, parts: Sequence[str], progress: Progress) -> Result:
        asked = replace(request, path=picture, out=folder)
        return Result({"": (make_proof(asked, sheet, progress, may_replace=_ours(folder, around)),)})

    return Step("proof", 1, {"": options}, run, goes_on=False)


def _print_request(options: Mapping[str, Any], around: Around, wanted: tuple[Any, ...]) -> PrintRequest:
    profile = str(options.get("profile", "srgb"))
    return PrintRequest(
        path=Path(),
        wanted=wanted,
        dpi=amounts.dpi(float(options.get("dpi", 300.0)), what="dpi"),
        fit=Fit(options["fit"]) if "fit" in options else None,
        keep_mm=kept(options.get("keep"), around.unit),
        room=Room(*(_length(options, name, around) for name in ("bleed", "safe", "border"))),
        border_colour=colour(str(options.get("border-colour", "white"))),
        profile_path=None if profile in ("srgb", "own") else around.base / profile,
        keeps_profile=profile == "own",
        intent=Intent(options.get("intent", "relative")),
        kind=FileKind(options.get("format", "jpeg")),
        quality=int(options.get("quality", 92)),
        most_mb=options.get("max-mb"),
        most_px=options.get("max-px"),
        most_enlarge=float(options.get("allow-enlarge", 1.0)),
        title=options.get("title"),
        creator=options.get("creator"),
        rights=options.get("rights"),
        paper=str(options.get("paper", "")),
        copies=int(options.get("copies", 1)),
        memory_mb=around.memory_mb,
    )


def _ours(folder: Path, around: Around) -> Callable[[Path], bool]:
    return lambda path: may_replace(folder, path, force=around.force)


def _single(name: str, options: Mapping[str, Any], run: Run) -> Step:
    return Step(name, 1, {"": options}, run, goes_on=True)


def _length(options: Mapping[str, Any], key: str, around: Around) -> float:
    return 0.0 if key not in options else parse_length_mm(str(options[key]), what=key, unit=around.unit)


def _side(options: Mapping[str, Any], key: str, around: Around) -> float | None:
    return None if key not in options else amounts.side_mm(str(options[key]), what=key, unit=around.unit)


_PLACING = frozenset({"dpi", "fit", "keep", "bleed", "safe", "border", "border-colour", "allow-enlarge"})
_WRITING = frozenset({"profile", "intent", "format", "quality", "max-mb", "max-px", "title", "creator", "rights"})
_PRINT_KEYS = _PLACING | _WRITING | {"paper", "copies"}
STEPS: Mapping[str, Known] = {
    "dust": Known(frozenset({"mend", "keep", "limit"}), _dust),
    "trim": Known(frozenset({"to", "border", "inset", "limit", "only-turn", "width", "height", "resample"}), _trim),
    "paper": Known(frozenset({"white", "strength", "keep-texture", "density", "at"}), _paper),
    "cutout": Known(frozenset({"ground", "holes", "margin", "width", "height", "dpi", "bits"}), _cutout),
    "prints": Known(_PRINT_KEYS | {"sizes"}, _prints),
    "proof": Known(_PRINT_KEYS | {"sheet", "size"}, _proof),
}
