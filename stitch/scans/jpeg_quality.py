"""How strongly a JPEG file was compressed, from its own tables of quantisation."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from PIL import Image

from stitch.scans.trouble import reading

TABLE_SUM = 3689  # of the luminance table of ITU-T T.81 (1992), annex K.1, which stands for quality 50


def jpeg_quality(path: Path) -> float:
    """Quality 1..100 on the usual scale, by which T.81's table is multiplied: 50 / q below 50, 2 − q / 50 above.

    Raises ScanError when the file cannot be read.
    """
    with reading(path), Image.open(path) as picture:
        tables = getattr(picture, "quantization", {})
        table = np.array(tables.get(0, [0] * 64), dtype=np.float64)
    factor = float(table.sum()) / TABLE_SUM
    return 50 / factor if factor > 1 else 100 - 50 * factor
