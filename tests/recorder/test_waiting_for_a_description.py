"""How long undescribed samples wait is counted from the first of them, not from the first byte."""

from __future__ import annotations

import socket
import threading
import time
from pathlib import Path
from typing import Any

import pytest
from plain_device import Sender, bench_text, description_frame, group

from livesense import recorder as recorder_module
from livesense.bench import parse
from livesense.link.address import parse_address
from livesense.record_settings import RecordSettings
from livesense.recorder import Recorder

WAIT_S = 1.0


@pytest.fixture
def server() -> Any:
    with socket.create_server(("127.0.0.1", 0)) as listening:
        listening.settimeout(20)
        yield listening


def recorded(server: socket.socket, folder: Path, pieces: list[tuple[float, bytes]]) -> dict[str, Any]:
    """Record what is sent piece by piece, each after a pause."""

    def send() -> None:
        with server.accept()[0] as peer:
            for pause_s, piece in pieces:
                time.sleep(pause_s)
                peer.sendall(piece)
            # Closed at once after the last piece: the recording ends with it.

    address = parse_address(f"socket://127.0.0.1:{server.getsockname()[1]}")
    sender = threading.Thread(target=send)
    sender.start()
    summary = Recorder(
        RecordSettings(parse(bench_text()), address, folder / "l.db", until_closed=True, wait=True)
    ).run()
    sender.join()
    return summary


def test_noise_at_power_up_does_not_use_up_the_patience(
    server: socket.socket, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorder_module, "DESCRIPTION_WAIT_S", WAIT_S)
    device = Sender()
    pieces = [
        (0.0, b"boot\r\n\0"),
        (WAIT_S * 1.3, device.packet(10)),
        (WAIT_S * 0.3, description_frame([group(device.channels)]) + device.packet(10)),
    ]
    summary = recorded(server, tmp_path, pieces)
    assert summary["ended"] == "closed"
    assert summary["groups"][0]["scans_stored"] == 20


def test_samples_that_nothing_describes_end_the_recording(
    server: socket.socket, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorder_module, "DESCRIPTION_WAIT_S", WAIT_S)
    device = Sender()
    summary = recorded(server, tmp_path, [(0.0, device.packet(10)), (WAIT_S * 1.5, b"")])
    assert summary["ended"] == "error"
    assert "nothing says what they are" in summary["error"]
