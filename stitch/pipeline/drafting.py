"""A draft of the seams: the cut as it would be now, beside the one that is in the master, which stays as it is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stitch.errors import UsageError
from stitch.imaging.affine import mm_from_px
from stitch.imaging.labels import labels_at
from stitch.imaging.placed_map import PlacedMap, placed_maps
from stitch.imaging.windows import bands
from stitch.job.folder import JobFolder
from stitch.master.labels import LabelWriter
from stitch.model.findings import Finding
from stitch.model.layout import Layout
from stitch.model.request import JoinRequest
from stitch.model.seams import LabelMap
from stitch.model.settings import JoinSettings
from stitch.pipeline import making, rerun, telling, wishing
from stitch.pipeline.keep import Keeper, OnlyPlanned
from stitch.pipeline.kept_job import kept_job, kept_seams_of
from stitch.pipeline.ties_file import scans_of
from stitch.pipeline.wish_findings import wish_findings
from stitch.progress import SILENT, Progress
from stitch.report.draft import NOTICE, Region, with_notice
from stitch.report.files import png_bytes
from stitch.report.measures import SeamFigures, seam_figures
from stitch.report.preview import preview, preview_size
from stitch.report.seam_map import draw
from stitch.scans.readers import open_image

LABEL_ROWS = 256  # worked out at once


@dataclass(frozen=True, slots=True)
class Draft:
    """What a join would change."""

    changed_fraction: float  # share of what scans cover that would come from another scan
    changed_mm2: float
    before: SeamFigures
    after: SeamFigures
    findings: tuple[Finding, ...]
    picture: Path
    labels: Path


def draft(root: Path, progress: Progress = SILENT) -> Draft:
    """Cut the seams of a joined job anew, and show them beside those of the master. Only the draft's files are written.

    Raises UsageError where the job is not joined, or something else than its wishes changed since; WriteError.
    """
    scans_of(root)  # a job that looked at its scans, not a folder of scans
    folder = JobFolder.open_or_create(JoinRequest((root,), JoinSettings()))
    with folder.at_work():
        folder.take(folder.drafts)
        keeper = Keeper(folder, only_plan=True, may_make=("scans",))
        try:
            return _drafted(folder, keeper, progress)
        except OnlyPlanned:
            room, why = list(keeper.reasons.items())[-1]
            raise _behind(folder, f"{rerun.ROOM_WORDS[room]} has to be done again ({why})") from None


def _drafted(folder: JobFolder, keeper: Keeper, progress: Progress) -> Draft:
    with kept_job(folder, keeper, progress) as (ready, said):
        layout = ready.layout
        old = kept_seams_of(folder, ready, _behind)
        wished = wishing.placed(folder, said.wishes, ready.frame, only_plan=False)
        new = making.fresh_seams(ready.job, ready.sources, layout, ready.tables, wished.places)
        maps = placed_maps(layout, ready.sizes)
    before, after = (_small(one.label_map, maps, layout) for one in (old, new))
    changed = before != after
    differs = float(changed.sum()) / max(int((after > 0).sum()), 1)
    px_mm = mm_from_px(layout.canvas.width_px / after.shape[1], layout.canvas_ppi)
    regions = [
        Region(f"line {one.wish.line}: {one.wish.want.value} {one.wish.scan_id}", one.place.corners_px)
        for one in wished.placed
    ]
    _write_picture(
        folder, layout, new, after, regions, f"{changed_words(differs)}. Only stitch join changes the master."
    )
    _write_labels(folder, layout, new.label_map, maps)
    return Draft(
        changed_fraction=differs,
        changed_mm2=float(changed.sum()) * px_mm**2,
        before=seam_figures(old.lines),
        after=seam_figures(new.lines),
        findings=wish_findings(wished, new.outcomes),
        picture=folder.seam_draft,
        labels=folder.seam_draft_labels,
    )


def changed_words(fraction: float) -> str:
    """How much of the picture would change its scan."""
    if not fraction:
        return "Nothing would come from another scan"
    share = f"{100 * fraction:.1f} %" if fraction >= 0.001 else "less than 0.1 %"
    return f"{share} of the picture would come from another scan"


def _behind(folder: JobFolder, why: str) -> UsageError:
    return UsageError(
        f"{folder.root.name} cannot show a draft: {why}.",
        advice=f"Run stitch join {folder.root.name} first; it takes up what was said of the seams, too.",
    )


def _small(label_map: LabelMap, maps: Mapping[str, PlacedMap], layout: Layout) -> NDArray[np.uint8]:
    """Labels of a reduced picture, so that cuts on different lattices can be compared."""
    small = preview_size(layout.canvas)
    shape = small.height_px, small.width_px
    return telling.small_labels(lambda window: labels_at(label_map, maps, window), layout.canvas, shape)


def _write_picture(
    folder: JobFolder, layout: Layout, new: making.Seams, labels: NDArray[np.uint8], regions: list[Region], words: str
) -> None:
    _, master = open_image(folder.master, scratch=folder.scratch)
    try:
        small = preview(master)
    finally:
        master.close()
    picture = draw(
        small,
        labels,
        new.label_map.scan_ids,
        new.lines,
        canvas_ppi=layout.canvas_ppi,
        px_per_preview=layout.canvas.width_px / small.shape[1],
        regions=regions,
    )
    with folder.writing(folder.seam_draft) as part:
        part.write_bytes(png_bytes(with_notice(picture, words), text=NOTICE))


def _write_labels(folder: JobFolder, layout: Layout, label_map: LabelMap, maps: Mapping[str, PlacedMap]) -> None:
    names = label_map.scan_ids
    with (
        folder.writing(folder.seam_draft_labels) as part,
        LabelWriter(part, layout.canvas, bits=8, ppi=layout.canvas_ppi, scan_ids=names, notice=NOTICE) as writer,
    ):
        for window in bands(layout.canvas, LABEL_ROWS):
            writer.write_rows(labels_at(label_map, maps, window))
        writer.finish()
