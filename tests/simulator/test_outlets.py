"""Outlets with real sockets, pseudo-terminals and files."""

import os
import select
import socket
import sys
import threading

import pytest

from livesense.errors import UsageError
from livesense.outlets import BACKLOG_BYTES, FileOutlet, TcpOutlet, open_outlet

posix = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX only")


@pytest.fixture
def stop():
    return threading.Event()


@pytest.fixture
def tcp(stop):
    outlet = TcpOutlet(0)
    yield outlet
    stop.set()
    outlet.close(stop)


def connect(outlet):
    host, port = outlet.address.removeprefix("socket://").split(":")
    client = socket.create_connection((host, int(port)), timeout=10)
    return client


def read_exactly(client, size):
    data = b""
    while len(data) < size:
        piece = client.recv(size - len(data))
        assert piece, "closed too early"
        data += piece
    return data


def test_tcp_takes_a_free_port_on_the_loopback_and_says_which(tcp):
    assert tcp.address.startswith("socket://127.0.0.1:")
    assert int(tcp.address.rsplit(":", 1)[1]) > 0


def test_tcp_delivers_and_sends_small_bursts_at_once(tcp, stop):
    with connect(tcp) as client:
        assert tcp.wait_for_receiver(stop)
        assert tcp._client.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) != 0
        tcp.send(b"one", stop, patient=False)
        assert read_exactly(client, 3) == b"one"


def test_tcp_serves_the_next_receiver_after_the_first_left(tcp, stop):
    with connect(tcp):
        tcp.wait_for_receiver(stop)
    while tcp._client is not None:
        tcp.send(b"x", stop, patient=False)
    with connect(tcp) as second:
        assert tcp.wait_for_receiver(stop)
        tcp.send(b"again", stop, patient=False)
        assert read_exactly(second, 5) == b"again"


def test_tcp_drops_bursts_while_nobody_is_there(tcp, stop):
    tcp.send(b"lost", stop, patient=False)
    assert tcp.dropped_bytes == 4


def test_tcp_ignores_what_the_receiver_says(tcp, stop):
    with connect(tcp) as client:
        tcp.wait_for_receiver(stop)
        client.sendall(b"halt!")
        tcp.send(b"still here", stop, patient=False)
        assert read_exactly(client, 10) == b"still here"


def test_tcp_keeps_a_backlog_for_a_busy_receiver_and_no_more(tcp, stop):
    burst = bytes(64 * 1024)
    with connect(tcp) as client:
        tcp.wait_for_receiver(stop)
        sent = 0
        while not tcp.dropped_bytes:
            tcp.send(burst, stop, patient=False)
            sent += len(burst)
            assert sent < 1 << 30
        assert 0 < len(tcp._pending) <= BACKLOG_BYTES
        taken = sent - tcp.dropped_bytes
        reader = threading.Thread(target=read_exactly, args=(client, taken))
        reader.start()
        tcp.send(b"", stop, patient=True)
        reader.join(20)
        assert not reader.is_alive()


def test_tcp_patient_outlet_loses_nothing(tcp, stop):
    data = os.urandom(3_000_000)
    got = []
    with connect(tcp) as client:
        reader = threading.Thread(target=lambda: got.append(read_exactly(client, len(data))))
        reader.start()
        tcp.send(data, stop, patient=True)
        reader.join(20)
    assert got == [data]


def test_tcp_end_of_stream_comes_after_the_last_byte(stop):
    outlet = TcpOutlet(0)
    with connect(outlet) as client:
        outlet.wait_for_receiver(stop)
        outlet.send(b"last", stop, patient=False)
        outlet.close(stop)
        assert read_exactly(client, 4) == b"last"
        assert client.recv(1) == b""


def test_waiting_ends_when_asked_to_stop(tcp, stop):
    stop.set()
    assert not tcp.wait_for_receiver(stop)
    tcp.send(b"x", stop, patient=True)


def test_busy_port_is_a_clear_error(tcp):
    port = tcp.address.rsplit(":", 1)[1]
    with pytest.raises(UsageError, match=rf"outlet tcp:{port}: expected a free port, got .*; choose another"):
        TcpOutlet(int(port))


@pytest.mark.parametrize(
    "text", ["tcp", "tcp:", "tcp:x", "tcp:70000", "tcp:-1", "tcp:²", "udp:5", "file:", "ptys", ""]
)
def test_wrong_outlets_are_refused(text):
    with pytest.raises(UsageError, match=r"outlet: expected tcp:PORT"):
        open_outlet(text)


def test_file_takes_everything(tmp_path, stop):
    outlet = open_outlet(f"file:{tmp_path / 'a:b.bin' if sys.platform != 'win32' else tmp_path / 'ab.bin'}")
    assert isinstance(outlet, FileOutlet)
    assert outlet.wait_for_receiver(stop)
    outlet.send(b"one", stop, patient=True)
    outlet.send(b"two", stop, patient=False)
    outlet.close(stop)
    assert next(tmp_path.iterdir()).read_bytes() == b"onetwo"


def test_file_that_cannot_be_written_is_a_clear_error(tmp_path):
    with pytest.raises(UsageError, match=r"expected a file that can be written, got .*; choose another path"):
        open_outlet(f"file:{tmp_path / 'nowhere' / 'x.bin'}")


@posix
def test_pty_waits_until_its_path_is_opened(stop):
    outlet = open_outlet("pty")
    ready = []
    waiter = threading.Thread(target=lambda: ready.append(outlet.wait_for_receiver(stop)))
    waiter.start()
    reader = os.open(outlet.address, os.O_RDWR | os.O_NOCTTY)
    waiter.join(10)
    assert ready == [True]
    # raw: line ends and control characters pass as they are
    outlet.send(b"\n\r\x03\x00\xff", stop, patient=True)
    data = b""
    while len(data) < 5:
        select.select([reader], [], [], 10)
        data += os.read(reader, 100)
    assert data == b"\n\r\x03\x00\xff"
    os.close(reader)
    stop.set()
    outlet.close(stop)


@posix
def test_pty_drops_bursts_when_nobody_reads(stop):
    outlet = open_outlet("pty")
    reader = os.open(outlet.address, os.O_RDWR | os.O_NOCTTY)
    assert outlet.wait_for_receiver(stop)
    while not outlet.dropped_bytes:
        outlet.send(bytes(64 * 1024), stop, patient=False)
    assert len(outlet._pending) <= BACKLOG_BYTES
    os.close(reader)
    stop.set()
    outlet.close(stop)
