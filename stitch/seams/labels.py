"""The label of every canvas pixel: one function for compose, the seam map, the label TIFF and the seam lines."""

from stitch.imaging.labels import labels_at

__all__ = ["labels_at"]
