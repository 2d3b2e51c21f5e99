"""Only the browser that opened the address sees the page, and nothing but the job's scans and the page's own files."""

from __future__ import annotations

import json
import socket
import threading
from pathlib import Path

import pytest

from stitch.errors import WriteError
from stitch.page.serve import ServedPage, served
from tests.page.visitor import Visitor
from tests.pipeline.jobs import hashes

FOREIGN_HOSTS = ("studio.example", "localhost", "127.0.0.1", "127.0.0.1:1", "[::1]", "")


def test_the_key_works_once(page: ServedPage) -> None:
    first = Visitor(page.address).enter()
    assert first.see("state")["job"] == "scans-joined"
    status, headers, body = Visitor(page.address).ask("GET", first.key_path)
    assert status == 403
    assert "Set-Cookie" not in headers
    assert "works once" in json.loads(body)["error"]
    assert first.see("state")["job"] == "scans-joined"


def test_of_many_who_come_at_once_one_gets_in(page: ServedPage) -> None:
    found: list[int] = []
    visitor = Visitor(page.address)
    threads = [threading.Thread(target=lambda: found.append(visitor.ask("GET", visitor.key_path)[0])) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(found) == [200] + [403] * 7


@pytest.mark.parametrize("key", ["/?key=wrong", "/?key=", "/?", "/", "/?key=%00", "/?other=1"])
def test_a_wrong_key(page: ServedPage, key: str) -> None:
    status, headers, _ = Visitor(page.address).ask("GET", key)
    assert status == 403
    assert "Set-Cookie" not in headers


def test_the_cookie_is_for_this_page_alone(page: ServedPage) -> None:
    visitor = Visitor(page.address)
    _, headers, body = visitor.ask("GET", visitor.key_path)
    parts = headers["Set-Cookie"].split("; ")
    assert {"HttpOnly", "SameSite=Strict"} < set(parts)
    path = next(part for part in parts if part.startswith("Path=")).removeprefix("Path=")
    assert len(path) > 20
    assert f'url={path}"'.encode() in body


@pytest.mark.parametrize("cookie", ["", "stitch-page=wrong", "stitch-page=", "other=1", 'stitch-page="\\'])
def test_without_the_cookie_nothing_is_seen(visitor: Visitor, cookie: str) -> None:
    visitor.cookie = cookie
    for path in ("", "state", "main.js", "pair/0/1", "tiles/0/0/0/0.jpg", "events"):
        assert visitor.ask("GET", visitor.prefix + path)[0] == 403
    assert visitor.post({"revision": 1, "do": "undo"})[0] == 403


@pytest.mark.parametrize("host", FOREIGN_HOSTS)
def test_any_other_host_is_refused(page: ServedPage, host: str) -> None:
    stranger = Visitor(page.address)
    status, headers, _ = stranger.ask("GET", stranger.key_path, Host=host)
    assert status == 403
    assert "Set-Cookie" not in headers
    visitor = stranger.enter()
    assert visitor.ask("GET", f"{visitor.prefix}state", Host=host)[0] == 403
    assert visitor.post({"revision": 1, "do": "undo"}, Host=host)[0] == 403


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("Origin", "http://studio.example"),
        ("Origin", "null"),
        ("Sec_Fetch_Site", "cross-site"),
        ("Sec_Fetch_Site", "same-site"),
    ],
)
def test_another_sites_page_is_refused(visitor: Visitor, name: str, value: str) -> None:
    headers = {name: value}
    assert visitor.ask("GET", f"{visitor.prefix}state", **headers)[0] == 403
    assert visitor.post({"revision": 1, "do": "undo"}, **headers)[0] == 403


@pytest.mark.parametrize(
    "path",
    [
        "../job.json",
        "..%2fjob.json",
        "assets/../../serve.py",
        "tiles/../../state",
        "tiles/0/0/0/0.jpg/../../../../../../job.json",
        "tiles/0/0/0/0.jpg?x=1",
        "tiles/-1/0/0/0.jpg",
        "tiles/5/0/0/0.jpg",
        "tiles/0/99/0/0.jpg",
        "pair/0/0",
        "pair/0/5",
        "report.html",
        "scans/A1.tif",
        "/etc/hostname",
        "index.html",
        "main.js%00",
        "viewer/openseadragon.min.js",
    ],
)
def test_no_other_path_leads_anywhere(visitor: Visitor, path: str) -> None:
    status, _, body = visitor.ask("GET", visitor.prefix + path)
    assert status == 404
    assert set(json.loads(body)) == {"error"}


def test_paths_outside_the_page_are_not_told_apart(visitor: Visitor) -> None:
    for path in ("/state", "/../state", "//etc/hostname", "/favicon.ico", f"{visitor.prefix[:-2]}/state"):
        assert visitor.ask("GET", path)[0] == 403


@pytest.mark.parametrize("method", ["PUT", "DELETE", "OPTIONS", "HEAD", "TRACE", "CONNECT"])
def test_no_other_method(visitor: Visitor, method: str) -> None:
    assert visitor.ask(method, f"{visitor.prefix}state")[0] == 501


def test_every_answer_tells_the_browser_to_be_strict(visitor: Visitor) -> None:
    for path in (f"{visitor.prefix}", f"{visitor.prefix}state", f"{visitor.prefix}nowhere", "/nowhere"):
        _, headers, _ = visitor.ask("GET", path)
        assert headers["Content-Security-Policy"].startswith("default-src 'self';")
        assert "unsafe" not in headers["Content-Security-Policy"]
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["Referrer-Policy"] == "no-referrer"
        assert headers["Cache-Control"] == "no-store"
        assert headers["Server"] == "stitch"


def test_it_listens_on_the_loopback_address_alone(page: ServedPage) -> None:
    port = int(Visitor(page.address).host.split(":")[1])
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.settimeout(2)
        assert probe.connect_ex(("127.0.0.2", port)) != 0


def test_a_second_command_is_told_that_the_page_is_open(page: ServedPage, job: Path) -> None:
    with pytest.raises(WriteError, match="page"), served(job):
        pass
    assert Visitor(page.address).enter().see("state")["job"] == "scans-joined"


def test_nothing_is_left_behind_and_no_scan_is_touched(job: Path) -> None:
    scans, before = job.parent / "scans", hashes(job.parent)
    with served(job) as page:
        visitor = Visitor(page.address).enter()
        for scan in range(5):
            assert visitor.ask("GET", f"{visitor.prefix}tiles/{scan}/0/0/0.jpg")[0] == 200
    after = hashes(job.parent)
    assert {name: after[name] for name in before if name.startswith("scans/")} == hashes_of(before, "scans/")
    assert set(after) == set(before)
    assert scans.is_dir()


def hashes_of(found: dict[str, str], start: str) -> dict[str, str]:
    return {name: digest for name, digest in found.items() if name.startswith(start)}
