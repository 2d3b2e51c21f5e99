"""Layers for a retoucher: every scan on the master's canvas, and a mask of what the master uses of it."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from stitch.compose.alone import lay_alone, strip_for
from stitch.compose.layers import make_layers
from stitch.errors import write_error
from stitch.imaging.labels import labels_at
from stitch.imaging.placed_map import placed_maps
from stitch.imaging.windows import bands
from stitch.job.disk import require_free
from stitch.job.folder import JobFolder
from stitch.master.labels import PackedWriter
from stitch.master.writer import MasterWriter
from stitch.model.findings import Finding, Severity
from stitch.model.geometry import Size
from stitch.model.master import MasterSpec
from stitch.model.seams import LabelMap
from stitch.pipeline import telling
from stitch.pipeline.toned import Toned

MASK_SHARE = 0.05  # disk for a packed mask, as a share of one byte a pixel
MASK_ROWS = 64
MASK_END = "_mask"
NOT_IN_NAMES = set('/\\:*?"<>|')  # of files, on one system or another


@dataclass(frozen=True, slots=True)
class LayerFiles:
    """The files of one scan's layer."""

    scan_id: str
    picture: Path
    mask: Path

    @property
    def both(self) -> tuple[Path, Path]:
        """Picture and mask."""
        return self.picture, self.mask


def layer_files(folder: Path, scan_ids: Sequence[str]) -> tuple[LayerFiles, ...]:
    """NAME.tif and NAME_mask.tif for every scan, no two alike on any disk."""
    taken: set[str] = set()
    found = []
    for scan_id in scan_ids:
        plain = "".join("_" if c in NOT_IN_NAMES or c < " " else c for c in scan_id).rstrip(". ") or "scan"
        number, name = 1, plain
        while {name.casefold(), f"{name}{MASK_END}".casefold()} & taken:
            number += 1
            name = f"{plain} ({number})"
        taken |= {name.casefold(), f"{name}{MASK_END}".casefold()}
        found.append(LayerFiles(scan_id, folder / f"{name}.tif", folder / f"{name}{MASK_END}.tif"))
    return tuple(found)


def take_files(folder: JobFolder, scan_ids: Sequence[str]) -> None:
    """Check before long work that layers may be written where they are asked for.

    Raises WriteError when a file in the way was not written by this job, or changed since.
    """
    if folder.request.settings.layers:
        folder.take(path for files in layer_files(folder.layers, scan_ids) for path in files.both)


def require_room(ready: Toned) -> None:
    """Check before long work that the disk has room for layers that are not there yet. Raises WriteError."""
    job, canvas = ready.job, ready.layout.canvas
    files = layer_files(job.folder.layers, [scan.scan_id for scan in ready.frame.scans])
    missing = [one for one in files if not one.picture.exists()]
    if job.settings.layers and missing:
        require_free(job.folder.root, _bytes(len(missing), canvas, job.bits) + canvas.width_px * canvas.height_px * 6)


def write_layers(
    ready: Toned, label_map: LabelMap, spec: MasterSpec, uncovered: tuple[int, int, int], seamed: str
) -> tuple[Finding, ...]:
    """Write what was asked for and is not there yet: pictures are kept while only the seams change."""
    job = ready.job
    if not job.settings.layers:
        return ()
    files = layer_files(job.folder.layers, label_map.scan_ids)
    specs = [_spec_of(spec, one.scan_id, ready) for one in files]
    pictures, masks = [one.picture for one in files], [one.mask for one in files]
    job.keeper.room(
        "layers",
        [ready.mark, specs, uncovered],
        {"resample": job.settings.resample},
        pictures,
        make=lambda: _write_pictures(ready, files, specs, uncovered),
        load=lambda: None,
    )
    job.keeper.room("masks", [seamed], {}, masks, make=lambda: _write_masks(ready, files, label_map), load=lambda: None)
    where = f"the folder {job.folder.layers.name}"
    said = f"{len(files)} layers are in {where}, each with a mask of what the master uses of it."
    return (Finding("layers", Severity.NOTE, said),)


def leave_only_asked(ready: Toned) -> None:
    """Remove layers of earlier runs that are of no use any more; what was changed by hand stays. Raises WriteError."""
    folder = ready.job.folder
    asked: set[Path] = set()
    if ready.job.settings.layers:
        names = [scan.scan_id for scan in ready.frame.scans]
        asked = {path for files in layer_files(folder.layers, names) for path in files.both}
    folder.remove_own(path for path in folder.results if path.parent == folder.layers and path not in asked)
    if folder.layers.is_dir() and not any(folder.layers.iterdir()):
        folder.layers.rmdir()


def _spec_of(spec: MasterSpec, scan_id: str, ready: Toned) -> MasterSpec:
    """What is told in a layer's file."""
    said = f"Only the scan {scan_id}, placed, resampled and matched in tone as in the master; not cut, not blended."
    title = f"{spec.title} ({scan_id})" if spec.title else scan_id
    history = tuple(sentence for sentence in spec.history if sentence != telling.BLENDED)
    (key,) = (scan.key for scan in ready.frame.scans if scan.scan_id == scan_id)
    ingredients = tuple(one for one in spec.ingredients if one[1] == key.split()[0])
    return replace(spec, title=title, history=(said, *history), ingredients=ingredients)


def _bytes(count: int, canvas: Size, bits: int) -> int:
    """Disk that so many layers and their masks take."""
    return int(count * canvas.width_px * canvas.height_px * (4 * bits / 8 + MASK_SHARE))


def _write_pictures(
    ready: Toned, files: Sequence[LayerFiles], specs: Sequence[MasterSpec], uncovered: tuple[int, int, int]
) -> None:
    job, layout = ready.job, ready.layout
    names = tuple(one.scan_id for one in files)
    layers = make_layers(ready.sources, layout, ready.tables, names, job.bits, job.settings.resample)
    threads = job.settings.jobs or os.cpu_count() or 1
    for layer in layers:
        strip_for(layer, layout.canvas, job.bits, job.settings.memory_mb, threads)
    require_free(job.folder.root, _bytes(len(files), layout.canvas, job.bits))
    with (
        _writing(job.folder, [one.picture for one in files]) as parts,
        job.progress.task("Writing the layers", len(files) * layout.canvas.megapixels) as task,
    ):
        for one, layer, spec, part in zip(files, layers, specs, parts, strict=True):
            with MasterWriter(part, spec, file_name=one.picture.name, has_alpha=True, jobs=job.threads) as writer:
                lay_alone(
                    layer,
                    layout.canvas,
                    bits=job.bits,
                    memory_mb=job.settings.memory_mb,
                    jobs=threads,
                    uncovered_code=uncovered,
                    write_rows=writer.write_rows,
                    task=task,
                )
                job.folder.know_sha256(one.picture, writer.finish().sha256)


def _write_masks(ready: Toned, files: Sequence[LayerFiles], label_map: LabelMap) -> None:
    job, canvas = ready.job, ready.layout.canvas
    maps = placed_maps(ready.layout, ready.sizes)
    with (
        _writing(job.folder, [one.mask for one in files]) as parts,
        job.progress.task("Writing the masks", canvas.megapixels) as task,
        ExitStack() as open_masks,
    ):
        writers = [
            open_masks.enter_context(
                PackedWriter(part, canvas, bits=8, ppi=ready.layout.canvas_ppi, description=f"Mask of {one.scan_id}")
            )
            for one, part in zip(files, parts, strict=True)
        ]
        for band in bands(canvas, MASK_ROWS):
            labels = labels_at(label_map, maps, band)
            for label, writer in enumerate(writers, start=1):
                writer.write_rows(np.where(labels == label, np.uint8(255), np.uint8(0)))
            task.advance(band.width_px * band.height_px / 1e6)
        for writer in writers:
            writer.finish()


@contextmanager
def _writing(folder: JobFolder, paths: Sequence[Path]) -> Iterator[list[Path]]:
    """Write several files, all of them or none; yields their temporary names. Raises WriteError."""
    try:
        folder.layers.mkdir(exist_ok=True)
    except OSError as error:
        raise write_error(folder.layers, error) from error
    with ExitStack() as stack:
        yield [stack.enter_context(folder.writing(path)) for path in paths]
