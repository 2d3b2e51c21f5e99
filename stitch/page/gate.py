"""Who may look at the page: the browser that opened the printed address, and nobody else.

The address carries a key that works once. It is exchanged for a cookie; from then on the cookie decides. All pages
lie below a path of random letters that the cookie is bound to, because a browser sends cookies to every port of a
host: another server on this computer, not knowing the path, is never sent ours.
"""

from __future__ import annotations

import hmac
import re
import secrets
import threading
from email.message import Message
from http.cookies import CookieError, SimpleCookie

COOKIE = "stitch-page"
KEY_FIELD = "key"
LOOPBACK = "127.0.0.1"


class Gate:
    """The keys of one page, made anew each time. `port` is set when the server has one."""

    def __init__(self) -> None:
        self.port = 0
        self.prefix = f"/{secrets.token_urlsafe(16)}/"
        self._key: str | None = secrets.token_urlsafe(32)
        self._cookie = secrets.token_urlsafe(32)
        self._lock = threading.Lock()
        self._address_key = self._key

    @property
    def host(self) -> str:
        """The one Host that is answered."""
        return f"{LOOPBACK}:{self.port}"

    @property
    def address(self) -> str:
        """What to open in the browser; it works once."""
        return f"http://{self.host}/?{KEY_FIELD}={self._address_key}"

    def is_our_host(self, headers: Message) -> bool:
        """False for any other name of this computer: a page from elsewhere may have led it here."""
        return headers.get_all("Host") == [self.host]

    def is_our_page(self, headers: Message) -> bool:
        """False when the browser says that another site's page asked."""
        origin, site = headers.get("Origin"), headers.get("Sec-Fetch-Site")
        return origin in (None, f"http://{self.host}") and site in (None, "same-origin", "none")

    def exchange(self, query: str) -> str | None:
        """The cookie to set for a key that is right and was not used before; else None."""
        found = re.fullmatch(rf"{KEY_FIELD}=([A-Za-z0-9_-]{{1,100}})", query)
        with self._lock:
            if found is None or self._key is None or not hmac.compare_digest(found[1], self._key):
                return None
            self._key = None
        return f"{COOKIE}={self._cookie}; Path={self.prefix}; HttpOnly; SameSite=Strict"

    def has_cookie(self, headers: Message) -> bool:
        """True for the browser that exchanged the key."""
        try:
            jar = SimpleCookie(headers.get("Cookie") or "")
        except CookieError:
            return False
        return COOKIE in jar and hmac.compare_digest(jar[COOKIE].value.encode(), self._cookie.encode())
