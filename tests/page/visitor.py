"""A visitor of the page without a browser: says exactly what it is told to say."""

from __future__ import annotations

import http.client
import json
import re
from typing import Any
from urllib.parse import urlsplit


class Visitor:
    """Asks one page; `enter` exchanges the key of its address for a cookie as a browser would."""

    def __init__(self, address: str) -> None:
        parts = urlsplit(address)
        self.host, self.key_path = parts.netloc, f"/?{parts.query}"
        self.cookie, self.prefix = "", "/"

    def ask(
        self, method: str, path: str, body: bytes | None = None, **headers: str
    ) -> tuple[int, dict[str, str], bytes]:
        """Status, headers and body of the answer to one request; `headers` replace the usual ones."""
        connection = http.client.HTTPConnection(*self.host.split(":"), timeout=30)
        said = {"Host": self.host, **({"Cookie": self.cookie} if self.cookie else {})}
        said |= {name.replace("_", "-"): value for name, value in headers.items()}
        try:
            connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
            for name, value in said.items():
                connection.putheader(name, value)
            if body is not None and "Content-Length" not in said:
                connection.putheader("Content-Length", str(len(body)))
            connection.endheaders(body)
            reply = connection.getresponse()
            return reply.status, dict(reply.getheaders()), reply.read()
        finally:
            connection.close()

    def enter(self) -> Visitor:
        """Use the key."""
        status, headers, body = self.ask("GET", self.key_path)
        assert status == 200, body
        self.cookie = headers["Set-Cookie"].split(";")[0]
        found = re.search(rb'url=([^"]+)"', body)
        assert found is not None
        self.prefix = found[1].decode()
        return self

    def see(self, path: str) -> Any:
        """JSON values of a path below the page."""
        status, _, body = self.ask("GET", self.prefix + path)
        assert status == 200, body
        return json.loads(body)

    def post(self, plain: Any, **headers: str) -> tuple[int, Any]:
        """Ask for a change."""
        said = {"Content_Type": "application/json", **headers}
        status, _, body = self.ask("POST", f"{self.prefix}change", json.dumps(plain).encode(), **said)
        return status, json.loads(body)

    def change(self, **plain: Any) -> Any:
        """Ask for a change on the ties as they are now; the state afterwards."""
        status, answer = self.post({"revision": self.see("state")["revision"], **plain})
        assert status == 200, answer
        return answer["state"]
