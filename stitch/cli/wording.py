"""Help texts are written in lines here and flow to the terminal's width there."""

from __future__ import annotations


def flowing(text: str) -> str:
    """Join the lines of each paragraph; paragraphs are parted by an empty line."""
    return "\n\n".join(" ".join(part.split()) for part in text.strip().split("\n\n"))
