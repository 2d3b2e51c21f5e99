"""A whole page that needs nothing else: style and pictures are inside it, and it runs no script."""

from __future__ import annotations

from importlib import resources

from stitch.report.html import Child, Html, el


def document(title: str, tool_version: str, *body: Child) -> str:
    """The page as HTML text, to be written as UTF-8."""
    page = el(
        "html",
        el(
            "head",
            el("meta", charset="utf-8"),
            el("meta", name="viewport", content="width=device-width, initial-scale=1"),
            el("meta", name="generator", content=f"stitch {tool_version}"),
            el("title", title),
            el("style", style()),
        ),
        el("body", *body),
        lang="en",
    )
    return f"<!DOCTYPE html>\n{page}\n"


def style() -> Html:
    """The style sheet that comes with the package."""
    return Html(resources.files("stitch.report").joinpath("page.css").read_text(encoding="utf-8"))
