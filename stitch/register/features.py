"""SIFT features of a reduced scan (Lowe, IJCV 60(2), 2004), root-normalised (Arandjelović and Zisserman, CVPR 2012)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.model.geometry import Size
from stitch.register.evidence import raw_signal
from stitch.register.reduced import Reduced

FEATURE_COUNT = 3000  # of one scan, of up to MANY_SCANS; of more each has fewer, so that comparing takes no longer
MANY_SCANS = 20
DOZEN = 12
CONTRAST_THRESHOLD = 0.01  # low, so that pale washes and paper tooth still give features
COLOUR_TURN_DEG = 180  # any turn: scans that lie differently are compared in colour
COLOUR_BLUR_PX = 1.5  # colour is noisier than luminance
EQUALISE_LIMIT = 4.0
EQUALISE_TILES = (8, 8)
PEAK_BYTES_PER_PX = 340  # of the reduced copy: it is doubled, and octaves hold 6 blurred copies and 5 differences
BORDER_PX = 6  # reduced px along the scan's border where the bed's frame and blur live


@dataclass(frozen=True, slots=True, eq=False)
class Features:
    """Features of one scan, in reduced px."""

    scan_id: str
    points: NDArray[np.float64]  # (n, 2)
    angles_deg: NDArray[np.float32]  # (n,)
    sizes_px: NDArray[np.float32]  # (n,)
    descriptors: NDArray[np.float32]  # (n, 128), unit length
    strengths: NDArray[np.float32]  # (n,) contrast of each feature

    def only(self, chosen: NDArray[Any]) -> Features:
        """The chosen ones (indices or a mask)."""
        return Features(
            self.scan_id,
            self.points[chosen],
            self.angles_deg[chosen],
            self.sizes_px[chosen],
            self.descriptors[chosen],
            self.strengths[chosen],
        )


def grey_of(rgb: NDArray[np.float32]) -> NDArray[np.float32]:
    """Weighted mean of encoded RGB, (h, w) float32."""
    return rgb @ np.array([0.3, 0.6, 0.1], dtype=np.float32)


def peak_mb(size: Size) -> float:
    """Memory that `detect` needs at most for a small copy of this size, MB."""
    return size.megapixels * PEAK_BYTES_PER_PX


def feature_count(scan_count: int) -> int:
    """How many features each of so many scans may have.

    Comparing two takes the product of their features, and each is compared with a few others. Scans are counted by
    dozens, so that one more leaves the features of all others as they are.
    """
    if scan_count <= MANY_SCANS:
        return FEATURE_COUNT
    return round(FEATURE_COUNT * (MANY_SCANS / (-(-scan_count // DOZEN) * DOZEN)) ** 0.5)


def detect(reduced: Reduced, count: int = FEATURE_COUNT) -> Features:
    """Find the `count` strongest features of one reduced scan, in its luminance."""
    return _detected(reduced.scan_id, _equalised(grey_of(reduced.rgb)), count)


def detect_in_colour(reduced: Reduced, count: int = FEATURE_COUNT) -> Features:
    """Find the features of one reduced scan in its log-chroma, where relief does not show however the scan lay."""
    soft = cv2.GaussianBlur(raw_signal(reduced.rgb, COLOUR_TURN_DEG), (0, 0), COLOUR_BLUR_PX)
    return _detected(reduced.scan_id, _equalised(np.asarray(soft, np.float32)), count)


def _detected(scan_id: str, picture: NDArray[np.uint8], count: int) -> Features:
    detector = cv2.SIFT.create(nfeatures=count, contrastThreshold=CONTRAST_THRESHOLD)
    mask = np.zeros(picture.shape, np.uint8)
    mask[BORDER_PX:-BORDER_PX, BORDER_PX:-BORDER_PX] = 255
    keypoints, descriptors = detector.detectAndCompute(picture, mask)
    if descriptors is None or not len(keypoints):
        empty = np.zeros(0, np.float32)
        return Features(scan_id, np.zeros((0, 2)), empty, empty, np.zeros((0, 128), np.float32), empty)
    return Features(
        scan_id,
        np.array([k.pt for k in keypoints], dtype=np.float64),
        np.array([k.angle for k in keypoints], dtype=np.float32),
        np.array([k.size for k in keypoints], dtype=np.float32),
        _root_normalised(np.asarray(descriptors, dtype=np.float32)),
        np.array([k.response for k in keypoints], dtype=np.float32),
    )


def without_fixed(features: Features, fixed: NDArray[np.bool_]) -> Features:
    """The features that do not sit on something fixed to the bed; `fixed` is a mask (h, w) of the reduced scan."""
    if not fixed.any():
        return features
    x, y = np.round(features.points).astype(int).T
    return features.only(~fixed[y.clip(0, fixed.shape[0] - 1), x.clip(0, fixed.shape[1] - 1)])


def _equalised(grey: NDArray[np.float32]) -> NDArray[np.uint8]:
    low, high = np.percentile(grey, (0.1, 99.9))
    spread = np.clip((grey - low) / max(high - low, 1e-4), 0, 1)
    return cv2.createCLAHE(EQUALISE_LIMIT, EQUALISE_TILES).apply((spread * 255 + 0.5).astype(np.uint8))


def _root_normalised(descriptors: NDArray[np.float32]) -> NDArray[np.float32]:
    total = descriptors.sum(axis=1, keepdims=True)
    return np.sqrt(descriptors / np.maximum(total, 1e-6))
