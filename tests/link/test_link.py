"""The link against real sockets, a real pty, real files: nothing lost, everything said."""

from __future__ import annotations

import contextlib
import os
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from livesense.errors import LinkError
from livesense.link.address import parse_address
from livesense.link.queue import Chunk, LinkDown, LinkEnd, LinkItem, LinkQueue, LinkUp, Overflow
from livesense.link.reader import LinkReader
from livesense.link.sources import SendSettings, SocketSource
from livesense.samples import Arrival

DATA = bytes(range(256)) * 40


def take_until(queue: LinkQueue, kind: type[LinkItem], *, limit_s: float = 20.0) -> list[LinkItem]:
    """Everything up to and including the first item of this kind."""
    taken: list[LinkItem] = []
    deadline = time.monotonic() + limit_s
    while time.monotonic() < deadline:
        taken += queue.take(0.1)
        if any(isinstance(item, kind) for item in taken):
            return taken
    raise AssertionError(f"no {kind.__name__} within {limit_s} s; got {taken}")


def bytes_of(items: list[LinkItem]) -> bytes:
    return b"".join(item.data for item in items if isinstance(item, Chunk))


@pytest.fixture
def server() -> Iterator[socket.socket]:
    with socket.create_server(("127.0.0.1", 0)) as listening:
        listening.settimeout(20)
        yield listening


def socket_address(server: socket.socket) -> str:
    return f"socket://127.0.0.1:{server.getsockname()[1]}"


@pytest.mark.parametrize(
    ("text", "kind", "host", "port"),
    [
        ("COM5", "device", "", 0),
        ("/dev/ttyACM0", "device", "", 0),
        ("socket://bench.local:4000", "socket", "bench.local", 4000),
        ("socket://[::1]:4000", "socket", "::1", 4000),
        ("rfc2217://10.0.0.2:2217", "rfc2217", "10.0.0.2", 2217),
        ("-", "stdin", "", 0),
    ],
)
def test_address_is_understood(text: str, kind: str, host: str, port: int) -> None:
    address = parse_address(text)
    assert (address.kind, address.host, address.port) == (kind, host, port)


def test_file_path_is_taken_verbatim() -> None:
    assert parse_address("file:/a b/c?d#e.bin").text == "/a b/c?d#e.bin"


@pytest.mark.parametrize(
    "text",
    [
        "",
        "file:",
        "http://host:80",
        "spy://COM5",
        "loop://",
        "alt://COM5?class=x",
        "socket://host",
        "socket://host:0",
        "socket://host:70000",
        "socket://host:4000?logging=debug",
        "socket://host:4000/path",
        "rfc2217://host:4000?ign_set_control",
        "socket://user@host:1",
        "a\0b",
    ],
)
def test_other_addresses_are_refused_with_what_was_expected(text: str) -> None:
    with pytest.raises(LinkError, match="expected"):
        parse_address(text)


def test_file_is_read_whole_and_ends(tmp_path: Path) -> None:
    path = tmp_path / "odd name #1.bin"
    path.write_bytes(DATA)
    queue = LinkQueue()
    LinkReader(parse_address(f"file:{path}"), 115200, queue).start()
    items = take_until(queue, LinkEnd)
    assert isinstance(items[0], LinkUp)
    assert bytes_of(items) == DATA
    assert items[-1] == LinkEnd(None)
    assert all(item.arrival is None for item in items if isinstance(item, Chunk))


def test_missing_file_is_an_error_that_names_it(tmp_path: Path) -> None:
    queue = LinkQueue()
    LinkReader(parse_address(f"file:{tmp_path / 'none.bin'}"), 115200, queue).start()
    (end,) = take_until(queue, LinkEnd)
    assert isinstance(end, LinkEnd)
    assert end.error is not None
    assert "none.bin" in end.error


def test_file_larger_than_the_queue_waits_instead_of_losing(tmp_path: Path) -> None:
    path = tmp_path / "large.bin"
    path.write_bytes(DATA * 30)
    queue = LinkQueue(limit_bytes=70_000)
    LinkReader(parse_address(f"file:{path}"), 115200, queue).start()
    items = take_until(queue, LinkEnd)
    assert bytes_of(items) == DATA * 30
    assert not any(isinstance(item, Overflow) for item in items)


def test_socket_hands_over_the_last_bytes_before_the_close(server: socket.socket) -> None:
    queue = LinkQueue()
    LinkReader(parse_address(socket_address(server)), 115200, queue, until_closed=True).start()
    with server.accept()[0] as peer:
        peer.sendall(DATA)
    items = take_until(queue, LinkEnd)
    assert bytes_of(items) == DATA
    assert items[-1] == LinkEnd(None)
    arrivals = [item.arrival for item in items if isinstance(item, Chunk)]
    assert all(isinstance(arrival, Arrival) for arrival in arrivals)


def test_socket_that_closes_is_told_and_opened_again(server: socket.socket) -> None:
    queue = LinkQueue()
    reader = LinkReader(parse_address(socket_address(server)), 115200, queue)
    reader.start()
    with server.accept()[0] as peer:
        peer.sendall(b"before")
    items = take_until(queue, LinkDown)
    with server.accept()[0] as peer:
        peer.sendall(b"after")
        items += take_until(queue, Chunk)
    reader.stop()
    kinds = [type(item).__name__ for item in items]
    assert kinds == ["LinkUp", "Chunk", "LinkDown", "LinkUp", "Chunk"]
    assert bytes_of(items) == b"beforeafter"


def test_refused_connection_says_what_to_do() -> None:
    with socket.create_server(("127.0.0.1", 0)) as unused:
        address = socket_address(unused)
    queue = LinkQueue()
    LinkReader(parse_address(address), 115200, queue).start()
    (end,) = take_until(queue, LinkEnd)
    assert isinstance(end, LinkEnd)
    assert end.error is not None
    assert "nothing listens there" in end.error


def test_waits_for_a_port_that_is_not_there_yet() -> None:
    with socket.create_server(("127.0.0.1", 0)) as unused:
        port = unused.getsockname()[1]
    queue = LinkQueue()
    reader = LinkReader(parse_address(f"socket://127.0.0.1:{port}"), 115200, queue, wait=True)
    reader.start()
    assert queue.take(0.3) == []
    with socket.create_server(("127.0.0.1", port)) as late:
        late.settimeout(20)
        with late.accept()[0] as peer:
            peer.sendall(b"here")
            items = take_until(queue, Chunk)
            reader.stop()
    assert isinstance(items[0], LinkUp)


def test_stop_ends_a_silent_line(server: socket.socket) -> None:
    queue = LinkQueue()
    reader = LinkReader(parse_address(socket_address(server)), 115200, queue)
    reader.start()
    with server.accept()[0]:
        take_until(queue, LinkUp)
        reader.stop()
    assert queue.take(1.0) == [LinkEnd(None)]


def test_bytes_that_find_no_room_become_one_overflow() -> None:
    queue = LinkQueue(limit_bytes=10)
    queue.put_chunk(Chunk(b"x" * 8, None), 0.0)
    queue.put_chunk(Chunk(b"y" * 8, None), 0.0)
    queue.put_chunk(Chunk(b"z" * 8, None), 0.01)
    assert queue.take(0.0) == [Chunk(b"x" * 8, None), Overflow(16)]
    assert queue.waiting_bytes == 0


def test_reader_goes_on_draining_a_socket_while_the_worker_sleeps(server: socket.socket) -> None:
    queue = LinkQueue(limit_bytes=100_000)
    reader = LinkReader(parse_address(socket_address(server)), 115200, queue, until_closed=True)
    reader.start()
    sent = 0
    with server.accept()[0] as peer:
        peer.settimeout(20)
        # Far more than the queue and the kernel's buffers hold: only a reader that drains lets it through.
        for _ in range(40):
            peer.sendall(b"s" * 500_000)
            sent += 500_000
    items = take_until(queue, LinkEnd)
    dropped = sum(item.count for item in items if isinstance(item, Overflow))
    assert len(bytes_of(items)) + dropped == sent
    assert dropped > 0
    reader.stop()


@pytest.mark.skipif(os.name != "posix", reason="a pty is a POSIX thing")
class TestPty:
    @pytest.fixture
    def pty(self) -> Iterator[tuple[int, str]]:
        import pty as pty_module
        import tty

        controller, terminal = pty_module.openpty()
        tty.setraw(terminal)
        name = os.ttyname(terminal)
        os.close(terminal)
        yield controller, name
        with contextlib.suppress(OSError):
            os.close(controller)

    def test_every_byte_arrives_and_the_hang_up_loses_none(self, pty: tuple[int, str]) -> None:
        controller, name = pty
        queue = LinkQueue()
        LinkReader(parse_address(name), 3_000_000, queue, until_closed=True).start()
        items = take_until(queue, LinkUp)
        # A real unplug takes what the kernel still held; wait until the reader has it, then pull.
        writer = threading.Thread(target=lambda: os.write(controller, DATA[:4000]))
        writer.start()
        while len(bytes_of(items)) < 4000:
            items += take_until(queue, Chunk)
        writer.join()
        os.close(controller)
        items += take_until(queue, LinkEnd)
        assert bytes_of(items) == DATA[:4000]
        assert items[-1] == LinkEnd(None)

    def test_missing_device_says_so(self) -> None:
        queue = LinkQueue()
        LinkReader(parse_address("/dev/does-not-exist"), 115200, queue).start()
        (end,) = take_until(queue, LinkEnd)
        assert isinstance(end, LinkEnd)
        assert end.error is not None
        assert "there is no such port" in end.error

    def test_second_opener_is_told_that_the_port_is_held(self, pty: tuple[int, str]) -> None:
        _, name = pty
        first, second = LinkQueue(), LinkQueue()
        reader = LinkReader(parse_address(name), 115200, first)
        reader.start()
        take_until(first, LinkUp)
        LinkReader(parse_address(name), 115200, second).start()
        (end,) = take_until(second, LinkEnd)
        reader.stop()
        assert isinstance(end, LinkEnd)
        assert end.error is not None
        assert "another program holds it" in end.error


def test_port_that_fails_while_it_is_greeted_is_closed_and_tried_again(
    server: socket.socket, monkeypatch: pytest.MonkeyPatch
) -> None:
    greeted: list[bytes] = []
    closed: list[bool] = []
    true_close = SocketSource.close

    def write(self: object, data: bytes) -> None:
        greeted.append(data)
        if len(greeted) == 1:
            raise OSError(5, "Input/output error")

    def close(self: SocketSource) -> None:
        closed.append(True)
        true_close(self)

    monkeypatch.setattr(SocketSource, "write", write)
    monkeypatch.setattr(SocketSource, "close", close)
    queue = LinkQueue()
    reader = LinkReader(
        parse_address(socket_address(server)),
        115200,
        queue,
        send=SendSettings(on_open="go\n"),
        wait=True,
    )
    reader.start()
    with server.accept()[0], server.accept()[0]:
        assert isinstance(take_until(queue, LinkUp)[0], LinkUp)
        assert closed == [True]
        reader.stop()
    assert greeted == [b"go\n", b"go\n"]
