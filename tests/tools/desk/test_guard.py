"""Attacks on the desk, each tried and refused.

The attacks are those of the OWASP lists for local services (path traversal, cross-site request
forgery, DNS rebinding, stored script, resource exhaustion); common practice, no one source.
"""

from __future__ import annotations

import json
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from desks import client_of, fill_shelf, make_seen
from shelves import make_record, make_shelf

from mastread.tools.shelf.store import Shelf

pytest.importorskip("flask", reason="pip install mastread[desk]")


from mastread.tools.desk import serve
from mastread.tools.desk.app import Desk, make_app
from mastread.tools.desk.work import Work

HOST = "127.0.0.1:8123"
KEY = "k" * 43


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    folder = tmp_path / "s"
    fill_shelf(folder, ["yellow over red", "green over red"], painted=True)
    return Desk(folder.resolve(), HOST, KEY, "Jo", Work(folder.resolve(), "cror"), 300_000)


@pytest.fixture
def client(desk: Desk) -> Any:
    app = make_app(desk)
    app.testing = False
    return client_of(app, HOST)


def _id(desk: Desk) -> str:
    with Shelf.open(desk.folder) as shelf:
        return str(shelf.database.execute("SELECT id FROM span ORDER BY row").fetchone()["id"])


def test_the_page_comes_with_a_strict_policy(client: Any) -> None:
    answer = client.get(f"/{KEY}/")
    assert answer.status_code == 200
    policy = answer.headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "script-src 'self'" in policy
    assert "unsafe" not in policy
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert answer.headers["Referrer-Policy"] == "no-referrer"
    text = answer.get_data(as_text=True)
    assert "http://" not in text.replace("http://www.w3.org", "")
    assert "https://" not in text
    assert "<script>" not in text
    assert " style=" not in text
    assert " onclick" not in text


@pytest.mark.parametrize("path", ["/", "/queue", f"/{KEY[:-1]}/", f"/{KEY}x/", "/%00/", "//"])
def test_without_the_key_nothing_is_answered(client: Any, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code in (308, 404)
    assert KEY not in answer.get_data(as_text=True)


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:8123", "localhost.evil.example", "127.0.0.1", ""]
)
def test_another_name_for_this_machine_is_refused(client: Any, host: str) -> None:
    # DNS rebinding: a foreign name that resolves to 127.0.0.1 makes the browser send its own Host.
    answer = client.get(f"/{KEY}/", headers={"Host": host})
    assert answer.status_code in (400, 421)
    assert "mastread printed" in answer.get_json()["trouble"] or answer.status_code == 400


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "http://127.0.0.1:9999"])
def test_another_page_cannot_make_statements(client: Any, desk: Desk, origin: str) -> None:
    body = {"act": "confirm", "span": _id(desk), "who": "Eve"}
    answer = client.post(f"/{KEY}/act", json=body, headers={"Origin": origin})
    assert answer.status_code == 403
    with Shelf.open(desk.folder) as shelf:
        assert shelf.history() == []
    good = client.post(f"/{KEY}/act", json=body, headers={"Origin": f"http://{HOST}"})
    assert good.status_code == 200


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_a_browser_that_says_where_it_comes_from_is_believed(client: Any, site: str) -> None:
    assert client.get(f"/{KEY}/", headers={"Sec-Fetch-Site": site}).status_code == 403


def test_a_form_of_another_page_is_no_statement(client: Any, desk: Desk) -> None:
    text = json.dumps({"act": "confirm", "span": _id(desk), "who": "Eve"})
    answer = client.post(f"/{KEY}/act", data=text, content_type="text/plain")
    assert answer.status_code == 415


@pytest.mark.parametrize(
    "path",
    [
        "span/../shelf.sqlite/poster",
        "span/..%2f..%2fetc%2fpasswd/poster",
        "span/%2e%2e/clip",
        "asset/../../shelf.sqlite",
        "asset/..%2fapp.py",
        "asset/app.py",
        "asset/desk.css%00.py",
        "asset/%2fetc%2fpasswd",
    ],
)
def test_paths_lead_nowhere(client: Any, path: str) -> None:
    answer = client.get(f"/{KEY}/{path}")
    assert answer.status_code in (308, 404)
    assert "root:" not in answer.get_data(as_text=True)


@pytest.mark.parametrize(
    "poster",
    ["../secret.jpg", "/etc/hostname", "clips/../../secret.jpg", "link.jpg", "clips/l.jpg"],
)
def test_a_shelf_that_was_tampered_with_gives_out_nothing_else(
    client: Any, desk: Desk, poster: str
) -> None:
    secret = desk.folder.parent / "secret.jpg"
    secret.write_bytes(b"secret")
    for link in (desk.folder / "link.jpg", desk.folder / "clips" / "l.jpg"):
        link.symlink_to(secret)
    name = _id(desk)
    with Shelf.open(desk.folder) as shelf:
        span = shelf.span(name)
        text = json.dumps({**span.view, "poster": poster, "crops": [poster], "clip": poster})
        shelf.database.execute("UPDATE seen SET view = ? WHERE span = ?", (text, span.row))
    for what in ("poster", "clip", "crop/1"):
        assert client.get(f"/{KEY}/span/{name}/{what}").status_code == 404


def test_script_in_a_file_name_stays_text(tmp_path: Path) -> None:
    folder = tmp_path / "<img src=x onerror=alert(1)>"
    name = "<script>alert(1)<script>'\""
    with make_shelf(folder, [make_record(make_seen("yellow over red"), name)]):
        pass
    app = make_app(Desk(folder, HOST, KEY, name, Work(folder, "cror")))
    client = client_of(app, HOST)
    text = client.get(f"/{KEY}/").get_data(as_text=True)
    assert "<script>alert" not in text
    assert "<img src=x" not in text
    answer = client.get(f"/{KEY}/queue")
    # JSON, with a type that no browser takes for a page.
    assert answer.mimetype == "application/json"
    assert answer.get_json()["lines"][0]["file"] == f"{name}.mp4"


def test_parts_of_a_clip(client: Any, desk: Desk) -> None:
    # RFC 9110, section 14: one range of bytes, and one that cannot be met.
    name = _id(desk)
    whole = client.get(f"/{KEY}/span/{name}/clip")
    assert whole.status_code == 200
    assert whole.headers["Accept-Ranges"] == "bytes"
    part = client.get(f"/{KEY}/span/{name}/clip", headers={"Range": "bytes=10-19"})
    assert part.status_code == 206
    assert part.data == whole.data[10:20]
    assert part.headers["Content-Range"] == f"bytes 10-19/{len(whole.data)}"
    far = client.get(f"/{KEY}/span/{name}/clip", headers={"Range": "bytes=99999999-"})
    assert far.status_code == 416
    for answer in (whole, part, far):
        answer.close()


def test_a_statement_of_a_megabyte_is_refused(client: Any) -> None:
    answer = client.post(f"/{KEY}/act", json={"act": "note", "note": "x" * 1_000_000})
    assert answer.status_code in (400, 413)


# --- over a real socket --------------------------------------------------------------------------


@pytest.fixture
def server(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> Iterator[serve.DeskServer]:
    monkeypatch.setattr(serve._Handler, "timeout", 1.0)
    made = serve.DeskServer(desk.folder, "cror", "Jo")
    thread = threading.Thread(target=made.serve_forever, daemon=True)
    thread.start()
    yield made
    made.shutdown()
    thread.join()
    made.server_close()


def _say(server: serve.DeskServer, head: str) -> socket.socket:
    line = socket.create_connection(("127.0.0.1", server.server_port), timeout=20)
    text = head.replace("KEY", server.desk.key).replace("HOST", server.desk.host)
    line.sendall(text.replace("\n", "\r\n").encode())
    return line


def test_it_listens_on_this_machine_alone(server: serve.DeskServer) -> None:
    assert server.server_address[0] == "127.0.0.1"
    assert len(server.desk.key) >= 40


def test_five_gigabytes_are_refused_before_they_come(server: serve.DeskServer, desk: Desk) -> None:
    head = f"PUT /KEY/drop?name=a.mp4 HTTP/1.1\nHost: HOST\nContent-Length: {5 * 1024**3}\n\n"
    with _say(server, head) as line:
        assert line.recv(20).startswith(b"HTTP/1.1 413")
    assert not list(desk.folder.glob("dropped/*"))


def test_a_film_without_end_is_cut_off(server: serve.DeskServer, desk: Desk) -> None:
    limit = 2_000_000
    object.__setattr__(server.desk, "most_bytes", limit)
    head = "PUT /KEY/drop?name=a.mp4 HTTP/1.1\nHost: HOST\nTransfer-Encoding: chunked\n\n"
    block = b"\0\0\0\x18ftypisom" + bytes(65_524)
    sent = 0
    with _say(server, head) as line, suppress(OSError):
        while sent < 20 * limit:
            line.sendall(b"10000\r\n" + block + b"\r\n")
            sent += len(block)
    # The buffers of both ends lie between what was sent and what was read.
    assert sent < 20 * limit
    end = time.monotonic() + 10
    while any(desk.folder.glob("dropped/*")) and time.monotonic() < end:
        time.sleep(0.05)
    assert not list(desk.folder.glob("dropped/*"))


def test_a_slow_client_is_given_up_and_keeps_nobody_waiting(server: serve.DeskServer) -> None:
    # A byte now and then would keep a plain time-out from ever running out.
    slow = [_say(server, "GET /KEY/ HTTP/1.1\nHost: HO") for _ in range(10)]
    begin = time.monotonic()
    with _say(server, "GET /KEY/queue HTTP/1.1\nHost: HOST\nConnection: close\n\n") as quick:
        assert quick.recv(20).startswith(b"HTTP/1.1 200")
    ended = [False] * len(slow)
    while not all(ended) and time.monotonic() - begin < 15:
        for n, line in enumerate(slow):
            if ended[n]:
                continue
            try:
                line.sendall(b"S")
                line.settimeout(0.02)
                ended[n] = line.recv(1000) == b""
            except TimeoutError:
                pass
            except OSError:
                ended[n] = True
    for line in slow:
        line.close()
    assert all(ended)
