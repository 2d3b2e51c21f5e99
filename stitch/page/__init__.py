"""The page on which ties are made by hand. `serve` opens it and returns when it is closed."""

from stitch.page.serve import serve

__all__ = ["serve"]
