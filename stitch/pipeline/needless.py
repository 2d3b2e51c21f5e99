"""Leave out scans that show nothing but what another shows more sharply, after all were placed together."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace

from stitch.imaging.affine import FloatArray
from stitch.model.layout import LeftOut
from stitch.model.scans import PixelSource
from stitch.register.duplicates import redundant
from stitch.register.place import Registration
from stitch.register.reduced import Reduced


def without_needless(
    registration: Registration,
    reduced: Mapping[str, Reduced],
    sources: Mapping[str, PixelSource],
    outline_px: FloatArray | None,
) -> tuple[Registration, tuple[LeftOut, ...]]:
    """The registration of the scans that are needed, and what is to be said of the others.

    `outline_px` : corners of the painting in nominal px, (4, 2), where its edges were seen.
    """
    left_out = redundant(registration, reduced, sources, outline_px)
    return without(registration, {one.scan_id for one in left_out}), left_out


def without(registration: Registration, names: Collection[str]) -> Registration:
    """The registration with some scans, their links and what was found wrong with those taken out."""
    if not names:
        return registration
    poses = {name: pose for name, pose in registration.poses.items() if name not in names}
    return replace(
        registration,
        anchor=registration.anchor if registration.anchor in poses else next(iter(poses)),
        poses=poses,
        sizes={name: registration.sizes[name] for name in poses},
        sigma_px={name: registration.sigma_px[name] for name in poses},
        shifts={name: shifts for name, shifts in registration.shifts.items() if name in poses},
        links=tuple(link for link in registration.links if link.scan_a in poses and link.scan_b in poses),
        findings=tuple(f for f in registration.findings if f.code != "weak-link" or set(f.scan_ids) <= poses.keys()),
    )
