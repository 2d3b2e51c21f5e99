"""Scans that do not all hang together are refused, by name and with a reason."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from stitch.errors import RegisterError
from stitch.register import graph, links
from stitch.register.pairs import Doubt, Pair


def refuse_unlinked(
    names: Sequence[str],
    pairs: Sequence[Pair],
    doubts: Sequence[Doubt] = (),
    *,
    is_colourless: Callable[[str], bool] = lambda _: False,
) -> None:
    """Raise RegisterError when the scans do not all hang together, naming those left over.

    Of scans that are colourless it is said that they cannot be compared when they lie turned.
    """
    found = graph.groups(names, [pair.scan_ids for pair in pairs])
    if len(found) == 1:
        return
    if doubts and len(graph.groups(names, [p.scan_ids for p in pairs] + [(d.scan_a, d.scan_b) for d in doubts])) == 1:
        raise _doubtful(found, doubts, pairs)
    left = tuple(name for group in found[1:] for name in group)
    strays: tuple[str, ...] = ()
    if len(found[0]) == 1:
        message = f"No two of these {len(names)} scans could be linked: {', '.join(names)}."
        left = tuple(names)
    elif len(found) == 2 and len(left) > 1:
        message = f"The scans fall into two groups that do not link: {', '.join(found[0])} and {', '.join(left)}."
    else:
        message = f"{', '.join(left)} could not be linked to the other scans ({', '.join(found[0])})."
        strays = left
    they, them = ("it shows", "it") if len(left) == 1 else ("they show", "them")
    advice = (
        f"Check that {they} this painting, with 30 mm or more of overlap and paint in the overlap; "
        f"scan again with more overlap, or leave {them} out with --skip."
    )
    grey = [name for name in left if is_colourless(name)]
    if grey:
        was = "was" if len(grey) == 1 else "were"
        show = "it shows" if len(grey) == 1 else "they show"
        advice += (
            f" If {', '.join(grey)} {was} laid turned: {show} no colour to compare, "
            "and relief looks different once turned; scan all pieces the same way round."
        )
    suspects = _suspects(names, found)
    raise RegisterError(
        message, advice=advice, scan_ids=left, links=links.unmeasured(pairs), strays=strays, suspects=suspects
    )


def _suspects(names: Sequence[str], found: Sequence[Sequence[str]]) -> tuple[str, str]:
    """A scan that is not linked and the nearest one of the largest group: scans tend to be named in order."""
    order = {name: number for number, name in enumerate(names)}
    lost = found[1][0]
    return min(found[0], key=lambda name: abs(order[name] - order[lost])), lost


def _doubtful(found: Sequence[Sequence[str]], doubts: Sequence[Doubt], pairs: Sequence[Pair]) -> RegisterError:
    group = {name: number for number, names in enumerate(found) for name in names}
    needed = [doubt for doubt in doubts if group[doubt.scan_a] != group[doubt.scan_b]]
    said = " and ".join(f"{d.scan_a} with {d.scan_b} ({d.place_count} places)" for d in needed[:3])
    return RegisterError(
        f"A pattern repeats, and some scans fit each other equally well in more than one way: {said}.",
        advice="Scan again with a larger overlap that holds something that is there only once: a signature, an edge, "
        "a small piece of paper of your own laid on the margin. Or leave a scan out with --skip.",
        scan_ids=tuple(dict.fromkeys(name for d in needed for name in (d.scan_a, d.scan_b))),
        links=links.unmeasured(pairs),
        suspects=(needed[0].scan_a, needed[0].scan_b),
    )
