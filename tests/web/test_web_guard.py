"""Who may talk to the app."""

import asyncio
from pathlib import Path
from typing import Any

import httpx
import pytest

from washboard.errors import InputError
from washboard.web import serve
from washboard.web._guard import Guard, is_loopback

TOKEN = "a token of some length"


async def inner(scope: Any, _receive: Any, send: Any) -> None:
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": b"inside " + scope["path"].encode()})


def ask(guard: Guard, address: str, **options: Any) -> httpx.Response:
    async def go() -> httpx.Response:
        async with httpx.AsyncClient(transport=httpx.ASGITransport(guard), follow_redirects=False) as client:
            return await client.request(options.pop("method", "GET"), address, **options)

    return asyncio.run(go())


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "[::1]", "127.0.0.9"])
def test_this_machine_may(host: str) -> None:
    assert ask(Guard(inner), f"http://{host}:8321/x").text == "inside /x"


@pytest.mark.parametrize("host", ["192.168.1.20", "example.org", "127.0.0.1.example.org", "localhost.example.org"])
def test_a_name_pointed_here_from_elsewhere_may_not(host: str) -> None:
    assert ask(Guard(inner), f"http://{host}/x").status_code == 403


def test_a_page_of_another_address_cannot_change_anything() -> None:
    answer = ask(Guard(inner), "http://127.0.0.1/x", method="POST", headers={"origin": "http://example.org"})
    assert answer.status_code == 403
    assert (
        ask(Guard(inner), "http://127.0.0.1:80/x", method="POST", headers={"origin": "http://127.0.0.1"}).status_code
        == 200
    )


def test_the_token_is_asked_for_once_and_carried_as_a_cookie() -> None:
    guard = Guard(inner, token=TOKEN)
    assert ask(guard, "http://192.168.1.20/x").status_code == 403
    assert ask(guard, "http://192.168.1.20/x?token=wrong").status_code == 403
    answer = ask(guard, "http://192.168.1.20/x?a=1&token=" + TOKEN.replace(" ", "%20"))
    assert (answer.status_code, answer.headers["location"]) == (303, "/x?a=1")
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert ask(guard, "http://192.168.1.20/x", headers={"cookie": cookie.split(";")[0]}).text == "inside /x"


def test_the_token_does_not_open_a_way_to_another_host() -> None:
    answer = ask(Guard(inner, token=TOKEN), "http://h//example.org/?token=" + TOKEN.replace(" ", "%20"))
    assert not answer.headers["location"].startswith("//")


def test_a_socket_from_another_page_is_closed() -> None:
    sent: list[Any] = []

    async def send(message: Any) -> None:
        sent.append(message)

    async def receive() -> Any:
        return {}

    scope = {
        "type": "websocket",
        "path": "/ws",
        "headers": [(b"host", b"127.0.0.1:8321"), (b"origin", b"http://example.org")],
    }
    asyncio.run(Guard(inner)(scope, receive, send))
    assert sent == [{"type": "websocket.close", "code": 4403}]


def test_every_answer_forbids_other_hosts() -> None:
    policy = ask(Guard(inner), "http://127.0.0.1/x").headers["content-security-policy"]
    assert "default-src 'self'" in policy
    assert "http" not in policy


@pytest.mark.parametrize(
    ("host", "is_one"), [("127.0.0.1", True), ("::1", True), ("0.0.0.0", False), ("rig-pc", False), ("", False)]
)
def test_loopback(host: str, is_one: bool) -> None:
    assert is_loopback(host) is is_one


def test_a_wider_address_needs_a_token(folder: Path) -> None:
    with pytest.raises(InputError, match="--token"):
        serve(folder, host="0.0.0.0")
    with pytest.raises(InputError, match="12 characters"):
        serve(folder, host="0.0.0.0", token="short")


def test_a_folder_without_a_programme_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"there is no programme\.toml here"):
        serve(tmp_path)


def test_a_taken_port_is_named(folder: Path) -> None:
    import socket

    with socket.socket() as holder:
        holder.bind(("127.0.0.1", 0))
        holder.listen()
        port = holder.getsockname()[1]
        with pytest.raises(InputError, match=f"port {port} is taken"):
            serve(folder, port=port)
