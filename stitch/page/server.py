"""The server of the page: standard library, loopback address only, one thread a connection."""

from __future__ import annotations

import contextlib
import json
import socketserver
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, HTTPServer
from typing import Any

from stitch.errors import StitchError
from stitch.page.gate import LOOPBACK, Gate
from stitch.page.routes import Answer, Routes, refusal
from stitch.page.watch import Watch

MAX_BODY_BYTES = 64 * 1024
IDLE_S = 60  # a connection on which nothing is asked is closed
PULSE_S = 2.0  # how soon a closed page is noticed
EMPTY_STYLE = "'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='"  # keeps the viewer from adding one that is not
HEADERS = {
    "Content-Security-Policy": f"default-src 'self'; img-src 'self' data:; style-src 'self' {EMPTY_STYLE}; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'; object-src 'none'",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}


class PageServer(socketserver.ThreadingMixIn, HTTPServer):
    """Answers on a free port of the loopback address; `gate` and `routes` say whom and what."""

    daemon_threads = True
    block_on_close = False

    def __init__(self, gate: Gate, routes: Routes, watch: Watch) -> None:
        self.gate, self.routes, self.watch = gate, routes, watch
        super().__init__((LOOPBACK, 0), _Handler)
        gate.port = self.server_address[1]

    def server_bind(self) -> None:
        """As the base class does, without asking for this computer's name on the network."""
        socketserver.TCPServer.server_bind(self)
        self.server_name, self.server_port = LOOPBACK, self.server_address[1]

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A browser that hangs up in the middle is nobody's trouble."""


class _Handler(BaseHTTPRequestHandler):
    """One connection."""

    protocol_version = "HTTP/1.1"
    timeout = IDLE_S
    disable_nagle_algorithm = True  # an answer is two small writes: it would wait for the first to be acknowledged
    server: PageServer

    def do_GET(self) -> None:
        """Answer a request to see something."""
        start, _, query = self.path.partition("?")
        if not self.server.gate.is_our_host(self.headers):
            self._send(refusal(HTTPStatus.FORBIDDEN, "This address is not known here."))
        elif start == "/" and query:
            self._exchange(query)
        elif not self._is_let_in():
            self._send(refusal(HTTPStatus.FORBIDDEN, NOT_LET_IN))
        elif self.path == f"{self.server.gate.prefix}events":
            self._stream()
        else:
            self._answer(lambda: self.server.routes.get(self.path.removeprefix(self.server.gate.prefix)))

    def do_POST(self) -> None:
        """Answer a request to change something."""
        if not self.server.gate.is_our_host(self.headers) or not self._is_let_in():
            self._send(refusal(HTTPStatus.FORBIDDEN, NOT_LET_IN), is_last=True)
            return
        body = self._body()
        if body is not None:
            path = self.path.removeprefix(self.server.gate.prefix)
            self._answer(lambda: self.server.routes.post(path, body))

    def _is_let_in(self) -> bool:
        gate = self.server.gate
        is_ours = self.path.startswith(gate.prefix) and gate.is_our_page(self.headers)
        return is_ours and gate.has_cookie(self.headers)

    def _exchange(self, query: str) -> None:
        cookie = self.server.gate.exchange(query)
        if cookie is None:
            self._send(refusal(HTTPStatus.FORBIDDEN, USED_UP))
        else:
            self._send(self.server.routes.entrance(self.server.gate.prefix), {"Set-Cookie": cookie})

    def _body(self) -> Any:
        """The JSON object sent along; None when it was refused."""
        length = self.headers.get("Content-Length", "")
        if not (length.isascii() and length.isdecimal()) or "Transfer-Encoding" in self.headers:
            return self._send(refusal(HTTPStatus.LENGTH_REQUIRED, "How much is sent was not said."), is_last=True)
        if len(length) > len(str(MAX_BODY_BYTES)) or int(length) > MAX_BODY_BYTES:
            return self._send(refusal(HTTPStatus.REQUEST_ENTITY_TOO_LARGE, "That is too much at once."), is_last=True)
        if self.headers.get("Content-Type") != "application/json":
            return self._send(refusal(HTTPStatus.UNSUPPORTED_MEDIA_TYPE, "Only JSON is read here."), is_last=True)
        try:
            body = json.loads(self.rfile.read(int(length)))
        except (ValueError, RecursionError):
            body = None
        if not isinstance(body, dict):
            return self._send(refusal(HTTPStatus.BAD_REQUEST, "That could not be read."))
        return body

    def _answer(self, make: Any) -> None:
        try:
            answer = make()
        except StitchError as error:
            answer = refusal(HTTPStatus.UNPROCESSABLE_ENTITY, str(error))
        except Exception as error:  # whatever it is, the page is told and the others go on
            answer = refusal(HTTPStatus.INTERNAL_SERVER_ERROR, f"A fault of stitch itself ({type(error).__name__}).")
        self._send(answer)

    def _send(self, answer: Answer, extra: dict[str, str] | None = None, *, is_last: bool = False) -> None:
        self.send_response(answer.status)
        for name, value in {**HEADERS, **(extra or {})}.items():
            self.send_header(name, value)
        self.send_header("Content-Type", answer.kind)
        self.send_header("Content-Length", str(len(answer.body)))
        if is_last:  # what was sent along was not read: the connection cannot go on
            self.send_header("Connection", "close")
            self.close_connection = True
        self.end_headers()
        with contextlib.suppress(OSError):
            self.wfile.write(answer.body)

    def _stream(self) -> None:
        """Tell the page of changes as long as it is open (server-sent events, HTML standard, section 9.2)."""
        self.close_connection = True
        self.send_response(HTTPStatus.OK)
        for name, value in HEADERS.items():
            self.send_header(name, value)
        self.send_header("Content-Type", "text/event-stream")
        self.end_headers()
        watch, seen = self.server.watch, None
        with watch.page(), contextlib.suppress(OSError):
            while (now := watch.next(seen, PULSE_S)) is not None:
                data = json.dumps({"revision": now[0], "pages": now[1]})
                self.wfile.write(b": still here\n\n" if now == seen else f"data: {data}\n\n".encode())
                seen = now
                self.server.routes.notice()

    def version_string(self) -> str:
        """Nothing about versions."""
        return "stitch"

    def log_message(self, format: str, *args: Any) -> None:
        """Nothing is logged."""


NOT_LET_IN = "This page belongs to the browser it was opened in. To open it here, stop stitch and start it again."
USED_UP = (
    "This address works once, and it was used already. Look for the page in the browser's other windows, or stop "
    "stitch (Ctrl-C in the terminal) and type the command again for a new address."
)
