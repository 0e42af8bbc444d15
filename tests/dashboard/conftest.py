"""The page on a run that needs no logbook."""

import importlib.util
import sys
from pathlib import Path
from typing import Any

import pytest

from dashboard.app import Page, Settings

TOKEN = "of-a-test"


def _load() -> Any:
    if "fake_run" not in sys.modules:
        path = Path(__file__).with_name("fake_run.py")
        spec = importlib.util.spec_from_file_location("fake_run", path)
        assert spec is not None and spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules["fake_run"] = module
        spec.loader.exec_module(module)
    return sys.modules["fake_run"]


@pytest.fixture(scope="session")
def fake():
    return _load()


@pytest.fixture
def state(fake):
    return fake.FakeState()


@pytest.fixture
def web(fake, state):
    web = Page(Settings(Path("none.db"), port=8050, token=TOKEN, open_browser=False), fake.FakeReading(state))
    yield web
    web.close()


@pytest.fixture
def stranger(web):
    """A client that never showed the token."""
    return web.dash.server.test_client()


@pytest.fixture
def client(stranger):
    """A client that came by the printed address."""
    answer = stranger.get(f"/?token={TOKEN}", base_url="http://127.0.0.1:8050")
    assert answer.status_code == 303
    return _AtHome(stranger)


class _AtHome:
    """Requests to the address the page was started for."""

    def __init__(self, client: Any) -> None:
        self._client = client

    def get(self, path: str, **more: Any) -> Any:
        return self._client.get(path, base_url="http://127.0.0.1:8050", **more)

    def post(self, path: str, **more: Any) -> Any:
        return self._client.post(path, base_url="http://127.0.0.1:8050", **more)
