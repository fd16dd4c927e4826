"""What the app hands out and takes in, asked over the wire as somebody of ill will would."""

import base64
import http.client
import json
import os
import shutil
import socket
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlsplit

import pytest

from washboard.web._guard import MOST_BODY

pytestmark = pytest.mark.filterwarnings("default::ResourceWarning", "default::pytest.PytestUnraisableExceptionWarning")

SECRET = b"words that lie beside the programme"
TOKEN = "a token of some length"


def ask(
    address: str, path: str, *, method: str = "GET", body: bytes | None = None, **headers: str
) -> tuple[int, bytes]:
    """Status and body of a request whose path is sent exactly as it is given."""
    place = urlsplit(address)
    link = http.client.HTTPConnection(place.hostname or "", place.port, timeout=20)
    link.putrequest(method, path, skip_host="Host" in headers)
    for name, value in headers.items():
        link.putheader(name.replace("_", "-"), value)
    if body is not None and "Content_Length" not in headers:
        link.putheader("Content-Length", str(len(body)))
    link.endheaders(body)
    answer = link.getresponse()
    found = answer.status, answer.read()
    link.close()
    return found


def shake_hands(address: str, **headers: str) -> str:
    """First line of the answer to a request to open the app's socket (RFC 6455)."""
    place = urlsplit(address)
    given = {
        "Host": f"{place.hostname}:{place.port}",
        **{name.replace("_", "-"): text for name, text in headers.items()},
    }
    lines = [
        "GET /_nicegui_ws/socket.io/?EIO=4&transport=websocket HTTP/1.1", "Upgrade: websocket", "Connection: Upgrade",
        f"Sec-WebSocket-Key: {base64.b64encode(os.urandom(16)).decode()}", "Sec-WebSocket-Version: 13",
        *(f"{name}: {text}" for name, text in given.items()), "", "",
    ]  # fmt: skip
    with socket.create_connection((place.hostname, place.port), timeout=20) as link:
        link.sendall("\r\n".join(lines).encode())
        return link.recv(400).split(b"\r\n")[0].decode()


def test_over_the_wire(checked: Path, serve_folder: Callable[..., Any]) -> None:
    (checked.parent / "secret.nc").write_bytes(SECRET)
    (checked.parent / "secret.png").write_bytes(SECRET)
    (checked / "photos").mkdir()
    (checked / "photos" / "page.html").write_text("<script>alert(1)</script>")
    server = serve_folder(checked)
    address = server.address
    own = urlsplit(address).netloc

    # Nothing outside the programme, however it is written; of the programme only reports and photos.
    outside = [
        "../secret.png", "..%2fsecret.png", "%2e%2e/secret.png", "%252e%252e%252fsecret.png", "..\\secret.png",
        "photos/../../secret.png", "photos/%2e%2e/%2e%2e/secret.png", "photos/..%5c..%5csecret.png", "//etc/passwd",
        "%2fetc%2fpasswd", "photos/%00/../secret.png", "photos/....//....//secret.png", "report/..%2f..%2fsecret.png",
        "programme.toml", ".washboard/desk.json", "recordings/kerb.nc", "stages/check/check.json", "journal.db",
    ]  # fmt: skip
    for path in outside:
        for way in (f"/file/{path}", f"/assets/{path}", f"/vendor/{path}"):
            status, body = ask(address, way)
            assert status >= 400, way
            assert SECRET not in body
            assert b"root:" not in body
    question = {"offsets": [0], "labels": ["x"], "channels": [[0, "a", "m"]], "from": 0, "to": 1, "bins": 10}
    for path in ("../secret.nc", str(checked.parent / "secret.nc"), "recordings/../../secret.nc", "/dev/zero"):
        for way in ("/series", "/stack.csv", "/stack.svg"):
            status, body = ask(address, f"{way}?q={quote(json.dumps({**question, 'files': [path]}))}")
            assert status == 400, (way, path)
            assert SECRET not in body
    assert ask(address, "/exhibit/..%2f..%2fsecret/0.svg")[0] == 404
    assert ask(address, "/chart/..%2fsecret.csv")[0] == 404

    # A name that was pointed at this machine, no name at all, and pages of other addresses.
    for host in ("example.org", "127.0.0.1.example.org", "localhost.example.org:80", "192.168.7.7", ""):
        assert ask(address, "/programme", Host=host)[0] == 403, host
    assert ask(address, "/programme", Host=own)[0] == 200
    assert ask(address, "/where", method="POST", body=b"/rig", Origin=address)[0] == 204
    for origin in ("http://example.org", "null", f"http://{own}.example.org", f"http://example.org@{own}:1"):
        assert ask(address, "/where", method="POST", body=b"/rig", Origin=origin)[0] == 403, origin
        assert ask(address, "/series?q=1", Origin=origin)[0] == 403, origin
        assert shake_hands(address, Origin=origin).split()[1] == "403", origin
    assert shake_hands(address, Origin=address).split()[1] == "101"
    assert shake_hands(address, Host="example.org", Origin="http://example.org").split()[1] == "403"
    embedded = {"Sec_Fetch_Site": "cross-site", "Sec_Fetch_Mode": "no-cors"}
    assert ask(address, "/assets/washboard.css", **embedded)[0] == 403
    assert ask(address, "/programme", Sec_Fetch_Site="cross-site", Sec_Fetch_Mode="navigate")[0] == 200

    # What is sent is limited, said so beforehand or not; the place that is remembered is one of the app's own.
    assert ask(address, "/where", method="POST", Content_Length=str(MOST_BODY + 1))[0] == 403
    assert ask(address, "/where", method="POST", Content_Length="-1")[0] in {400, 403}
    for place in (b"http://example.org/", b"//example.org/rig", b"/file/report/x", b"javascript:alert(1)"):
        ask(address, "/where", method="POST", body=place)
    with_place = ask(address, "/", Host=own)
    assert with_place[0] == 303
    assert json.loads((checked / ".washboard" / "desk.json").read_text())["last"] == "/programme"

    # A page among the photos is handed out to be saved at most, not run.
    status, _body = ask(address, "/file/photos/page.html")
    assert status == 200
    link = http.client.HTTPConnection(own, timeout=20)
    link.request("GET", "/file/photos/page.html")
    headers = dict(link.getresponse().getheaders())
    assert "sandbox" in headers["content-security-policy"]
    assert "script" not in headers["content-security-policy"]
    link.close()


def test_a_body_that_never_ends_is_cut_off(folder: Path, serve_folder: Callable[..., Any]) -> None:
    place = urlsplit(serve_folder(folder).address)
    sent = 0
    with socket.create_connection((place.hostname, place.port), timeout=20) as link:
        head = f"POST /where HTTP/1.1\r\nHost: {place.netloc}\r\nTransfer-Encoding: chunked\r\n\r\n"
        link.sendall(head.encode())
        piece = b"10000\r\n" + b"x" * 0x10000 + b"\r\n"
        try:
            while sent < 4 * MOST_BODY:
                link.sendall(piece)
                sent += 0x10000
        except OSError:
            pass
        else:
            link.settimeout(20)
            assert not link.recv(100).startswith(b"HTTP/1.1 2")
    assert ask(f"http://{place.netloc}", "/programme")[0] == 200


def test_with_a_token_the_wire_is_shut_without_it(folder: Path, serve_folder: Callable[..., Any]) -> None:
    address = serve_folder(folder, token=TOKEN).address
    for path in ("/", "/programme", "/series?q=1", "/file/report/report.pdf", "/assets/washboard.css", "/where"):
        assert ask(address, path)[0] == 403, path
        assert ask(address, path, Cookie="washboard_token=wrong")[0] == 403, path
        assert ask(address, path, Cookie=f"washboard_token={TOKEN[:-1]}")[0] == 403, path
    assert ask(address, f"/programme?token={quote('long enough but wrong')}")[0] == 403
    assert shake_hands(address, Origin=address).split()[1] == "403"
    cookie = f'washboard_token="{TOKEN}"'
    assert shake_hands(address, Origin=address, Cookie=cookie).split()[1] == "101"
    assert ask(address, "/programme", Cookie=cookie)[0] == 200


@pytest.mark.browser
@pytest.mark.skipif(shutil.which("chromium") is None, reason="needs the system's chromium")
def test_names_from_a_file_are_never_markup(browser: Any, folder: Path, serve_folder: Callable[..., Any]) -> None:
    evil = "x' onfocus='window.hit=1' <img src=x onerror='window.hit=2'>"
    file = folder / "programme.toml"
    file.write_text(file.read_text().replace("kerb strikes", evil).replace("front right axle", f"r {evil}"))
    server = serve_folder(folder)
    context = browser.new_context()
    page = context.new_page()
    for path in ("/programme", "/recordings", "/target", "/replication", "/run"):
        page.goto(f"{server.address}{path}")
        page.wait_for_selector(".wb-main h1")
        for _ in range(12):
            page.keyboard.press("Tab")
        assert page.evaluate("window.hit") is None, path
    context.close()
