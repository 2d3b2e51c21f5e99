"""The fixed table of what the page may ask for. Nothing else on this computer has an address here."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import dataclass
from html import escape
from http import HTTPStatus
from importlib.resources import files
from typing import Any

from stitch.page.asked import NotUnderstood
from stitch.page.desk import Desk
from stitch.page.ledger import Outdated

ASSETS = {
    "": ("index.html", "text/html; charset=utf-8"),
    "page.css": ("page.css", "text/css; charset=utf-8"),
    "viewer.js": ("viewer/openseadragon.min.js", "text/javascript; charset=utf-8"),
    "viewer-licence.txt": ("viewer/LICENSE.txt", "text/plain; charset=utf-8"),
}
SCRIPTS = (
    "main", "asking", "all", "sketch", "pair", "pane", "marks", "lens", "placing", "cards", "ruler", "keys", "words"
)  # fmt: skip
JSON = "application/json; charset=utf-8"


@dataclass(frozen=True, slots=True)
class Answer:
    """What is sent back."""

    status: HTTPStatus
    kind: str
    body: bytes


def refusal(status: HTTPStatus, said: str) -> Answer:
    """No, and why."""
    return Answer(status, JSON, json.dumps({"error": said}).encode())


def told(plain: Any, status: HTTPStatus = HTTPStatus.OK) -> Answer:
    """JSON values."""
    return Answer(status, JSON, json.dumps(plain, allow_nan=False).encode())


ENTRANCE = (
    '<!doctype html><title>stitch</title><link rel="icon" href="data:,"><meta http-equiv="refresh" content="0; url={}">'
)
NOT_HERE = refusal(HTTPStatus.NOT_FOUND, "There is nothing at this address.")


class Routes:
    """Answers by path, which is compared as it came: no part of it ever becomes the name of a file."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        place = files("stitch.page") / "assets"
        named = {**ASSETS, **{f"{name}.js": (f"{name}.js", "text/javascript; charset=utf-8") for name in SCRIPTS}}
        self._assets = {
            path: Answer(HTTPStatus.OK, kind, (place / name).read_bytes()) for path, (name, kind) in named.items()
        }
        self._seen: tuple[tuple[re.Pattern[str], Callable[..., Answer]], ...] = (
            (re.compile(r"state"), lambda: told(desk.state())),
            (re.compile(r"pair/(\d{1,4})/(\d{1,4})"), self._pair),
            (re.compile(r"tiles/(\d{1,4})/(\d{1,2})/(\d{1,4})/(\d{1,4})\.jpg"), self._tile),
        )

    def entrance(self, prefix: str) -> Answer:
        """The page that leads on once the browser has its cookie."""
        return Answer(HTTPStatus.OK, "text/html; charset=utf-8", ENTRANCE.format(escape(prefix)).encode())

    def notice(self) -> None:
        """Look for changes made elsewhere."""
        self._desk.notice()

    def get(self, path: str) -> Answer:
        """Something to see. Raises StitchError."""
        if path in self._assets:
            return self._assets[path]
        for pattern, answer in self._seen:
            match = pattern.fullmatch(path)
            if match:
                return answer(*(int(text) for text in match.groups()))
        return NOT_HERE

    def post(self, path: str, body: dict[str, Any]) -> Answer:
        """A change to the ties. Raises StitchError; then nothing was changed."""
        if path != "change":
            return NOT_HERE
        try:
            return told(self._desk.change(body))
        except NotUnderstood as error:
            return refusal(HTTPStatus.BAD_REQUEST, str(error))
        except Outdated:
            return told({"error": OUTDATED, "state": self._desk.state()}, HTTPStatus.CONFLICT)

    def _pair(self, a: int, b: int) -> Answer:
        count = len(self._desk.job.scans)
        return told(self._desk.pair(a, b)) if a < count and b < count and a != b else NOT_HERE

    def _tile(self, scan: int, level: int, column: int, row: int) -> Answer:
        tiled = self._desk.job.tiled
        picture = tiled[scan].tile(level, column, row) if scan < len(tiled) else None
        return NOT_HERE if picture is None else Answer(HTTPStatus.OK, "image/jpeg", picture)


OUTDATED = "The ties were changed elsewhere in the meantime. They are shown as they are now."
