"""Building HTML from Python so that nothing reaches the page unescaped.

`el("p", "a < b", class_="note")` gives an `Html` string; plain strings are escaped, `Html` is taken as it is.
"""

from __future__ import annotations

import html
from collections.abc import Iterable

VOID_TAGS = frozenset({"br", "hr", "img", "input", "link", "meta", "wbr"})


class Html(str):
    """Text that is already safe to put into a page."""

    __slots__ = ()


Child = str | Iterable["Child"] | None


def el(tag: str, *children: Child, **attributes: str | int | float | None) -> Html:
    """One element.

    Parameters
    ----------
    children : strings (escaped unless `Html`), nested iterables, or None (left out).
    attributes : `_` in a name becomes `-`, a trailing `_` is dropped; None leaves the attribute out.
    """
    shown = "".join(
        f' {_name(key)}="{html.escape(str(value))}"' for key, value in attributes.items() if value is not None
    )
    if tag in VOID_TAGS:
        return Html(f"<{tag}{shown}>")
    return Html(f"<{tag}{shown}>{join(*children)}</{tag}>")


def join(*children: Child) -> Html:
    """The children one after another."""
    return Html("".join(_flat(children)))


def text(value: str) -> Html:
    """Escaped text; characters that HTML does not allow (control characters) become U+FFFD."""
    return Html(html.escape("".join(_allowed(c) for c in value)))


def _allowed(character: str) -> str:
    code = ord(character)
    is_control = (code < 32 and character not in "\t\n") or 0x7F <= code < 0xA0
    return "\N{REPLACEMENT CHARACTER}" if is_control or 0xD800 <= code < 0xE000 else character


def _flat(children: Iterable[Child]) -> Iterable[str]:
    for child in children:
        if child is None:
            continue
        if isinstance(child, Html):
            yield child
        elif isinstance(child, str):
            yield text(child)
        else:
            yield from _flat(child)


def _name(key: str) -> str:
    return key.rstrip("_").replace("_", "-")
