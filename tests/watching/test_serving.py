"""The served page: who may ask for it, and what."""

from __future__ import annotations

import http.client
import json
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from cagecheck.report.content import Column
from cagecheck.report.sheet import Cell, Sheet, SheetRow, SheetTable, sheet_html
from cagecheck.watching.live import live_page, live_sheet
from cagecheck.watching.serving import HOST, PageServer

REPORT = (
    '<html><head><meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
    'img-src data:"></head><body>first\n<script>const started = 1;\n</script>\n</body>\n</html>\n'
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    out = tmp_path / "out"
    (out / "maps").mkdir(parents=True)
    (out / "regions.json").write_text("[]")
    (out / "maps" / "hero.png").write_bytes(b"png")
    (out / "notes.txt").write_text("mine")
    (tmp_path / "secret.txt").write_text("secret")
    (out / "link.json").symlink_to(tmp_path / "secret.txt")
    return out


@pytest.fixture
def server(folder: Path) -> Iterator[PageServer]:
    with PageServer(folder) as running:
        running.show(REPORT, "round 1", "found")
        running.offer(["regions.json", "maps/hero.png", "link.json", "gone.json"])
        yield running


def ask(
    server: PageServer, path: str, *, method: str = "GET", host: str | None = None
) -> tuple[int, bytes, dict[str, str]]:
    """Ask for a path exactly as it is written."""
    line = http.client.HTTPConnection(HOST, server.port, timeout=60)
    line.putrequest(method, path, skip_host=True)
    line.putheader("Host", f"{HOST}:{server.port}" if host is None else host)
    line.endheaders()
    answer = line.getresponse()
    found = answer.status, answer.read(), {k.lower(): v for k, v in answer.getheaders()}
    line.close()
    return found


def test_it_listens_on_this_machine_alone_and_says_where(server: PageServer) -> None:
    assert server._socket.getsockname()[0] == "127.0.0.1"
    assert server.address == f"http://127.0.0.1:{server.port}/{server.token}/"
    assert len(server.token) >= 32  # 24 random bytes


def test_the_page_is_there_for_who_knows_the_token(server: PageServer) -> None:
    status, body, headers = ask(server, f"/{server.token}/")
    assert status == 200 and b"first" in body and b"EventSource" in body
    assert headers["cache-control"] == "no-store" and headers["referrer-policy"] == "no-referrer"
    assert "access-control-allow-origin" not in headers


@pytest.mark.parametrize(
    "path",
    ["/", "/favicon.ico", "/news", "/files/regions.json", "/wrong/", "/wrong/news", "//", ""],
)
def test_without_the_token_all_is_refused(server: PageServer, path: str) -> None:
    status, body, _ = ask(server, path)
    assert status == 403 and b"first" not in body and server.token.encode() not in body


def test_almost_the_token_is_refused(server: PageServer) -> None:
    for wrong in (
        server.token[:-1],
        server.token + "x",
        server.token.swapcase(),
        f"x/{server.token}",
    ):
        assert ask(server, f"/{wrong}/")[0] == 403


def test_a_name_that_leads_here_is_refused(server: PageServer) -> None:
    """A page of another site whose name resolves to 127.0.0.1 (DNS rebinding) names itself."""
    path = f"/{server.token}/"
    for host in ("evil.example", f"evil.example:{server.port}", HOST, f"{HOST}:1", ""):
        assert ask(server, path, host=host)[0] == 403
    assert ask(server, path, host=f"localhost:{server.port}")[0] == 200
    assert ask(server, path, host=f"LOCALHOST:{server.port}")[0] == 200


def test_two_hosts_or_none_are_refused(server: PageServer) -> None:
    own = f"Host: {HOST}:{server.port}\r\n"
    for hosts in ("", own + "Host: evil.example\r\n"):
        with socket.create_connection((HOST, server.port), timeout=60) as line:
            line.sendall(f"GET /{server.token}/ HTTP/1.1\r\n{hosts}\r\n".encode())
            assert line.recv(12).split()[1] in (b"400", b"403")


def test_only_files_of_the_result_are_served(server: PageServer) -> None:
    def file(name: str) -> int:
        return ask(server, f"/{server.token}/files/{name}")[0]

    assert file("regions.json") == file("maps/hero.png") == 200
    # In the folder but not of the result, a link out of it, gone, beside it.
    assert file("notes.txt") == file("link.json") == file("gone.json") == 404
    for name in ("../secret.txt", "..%2fsecret.txt", "%2e%2e/secret.txt", "maps/../../secret.txt",
                 "/etc/passwd", "%2fetc%2fpasswd", ""):  # fmt: skip
        status, body, _ = ask(server, f"/{server.token}/files/{name}")
        assert status == 404 and b"secret" not in body and b"root" not in body, name


def test_nothing_can_be_sent_to_it(server: PageServer) -> None:
    for method in ("POST", "PUT", "DELETE"):
        assert ask(server, f"/{server.token}/", method=method)[0] == 405


def test_news_come_as_they_happen_and_end_with_the_watch(folder: Path) -> None:
    with PageServer(folder) as server:
        line = http.client.HTTPConnection(HOST, server.port, timeout=60)
        line.request("GET", f"/{server.token}/news")
        stream = line.getresponse()

        def next_news() -> dict[str, object]:
            while not (text := stream.readline()).startswith(b"data: "):
                assert text, "the stream ended"
            return json.loads(text[6:])  # type: ignore[no-any-return]

        assert next_news()["page"] == 0
        server.tell("working", "round 1", "predicting")
        assert next_news()["words"] == "predicting"
        server.show(REPORT, "round 1", "found <b> & more")
        assert next_news() == {
            "state": "round", "title": "round 1", "words": "found <b> & more", "page": 1
        }  # fmt: skip
        server.tell("waiting", "", "low.obj is not there")
        assert next_news()["page"] == 1
    assert next_news()["state"] == "ended"
    with pytest.raises(OSError):
        socket.create_connection((HOST, server.port), timeout=5)


def test_words_of_files_cannot_become_script() -> None:
    news = {"state": "round", "title": "", "words": "</script><script>alert(1)</script>", "page": 1}
    page = live_page(REPORT, 1, news)
    assert "<script>alert" not in page and "connect-src 'self'" in page


def test_links_of_a_page_without_a_model_lead_to_the_files(folder: Path) -> None:
    row = SheetRow(("crate", Cell("", links=(("page", "maps/hero.png"),))))
    table = SheetTable("Assets", (Column("asset"), Column("files")), (row,))
    sheet = Sheet(
        heading="batch", title="list", clean=True, verdict="Fine.", facts=(), tables=(table,),
        limits="", files=("regions.json",),
    )  # fmt: skip
    with PageServer(folder, live=live_sheet) as running:
        running.show(sheet_html(sheet), "Round 1:", "done")
        running.offer(["regions.json", "maps/hero.png"])
        status, body, _ = ask(running, f"/{running.token}/")
        assert status == 200 and b"EventSource" in body and b"Round 1:" in body
        assert b'href="files/maps/hero.png"' in body and b'href="files/regions.json"' in body
        assert ask(running, f"/{running.token}/files/maps/hero.png")[:2] == (200, b"png")
    # Nothing else is let in, and what leads elsewhere stays.
    assert b"default-src 'none'; connect-src 'self'; script-src 'unsafe-inline';" in body
    assert b'href="files/#' not in body and b'href="files/data:' not in body
