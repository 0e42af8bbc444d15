"""A page on a logbook, asked as a browser asks it but without one."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from dashboard.app import Page, Settings

HOME = "http://127.0.0.1:8050"


class Web:
    """The page's own client, with its key in the cookie."""

    def __init__(self, path: Path, benches: Sequence[Path] = (), links: Sequence[str] = ()) -> None:
        self.page = Page(Settings(path, port=8050, benches=tuple(benches), links=tuple(links)))
        self.client = self.page.dash.server.test_client()
        self.client.get(f"/?token={self.page.settings.token}", base_url=HOME)

    def screen(self, path: str) -> str:
        """A screen as the JSON that the browser gets."""
        asked = {
            "output": "screen.children", "outputs": {"id": "screen", "property": "children"},
            "inputs": [{"id": "where", "property": "pathname", "value": path}],
            "changedPropIds": ["where.pathname"],
        }  # fmt: skip
        answer = self.client.post("/_dash-update-component", base_url=HOME, json=asked)
        return json.dumps(answer.json, ensure_ascii=False)

    def get(self, path: str) -> Any:
        return self.client.get(path, base_url=HOME)

    def post(self, path: str, said: Any = None) -> Any:
        return self.client.post(path, base_url=HOME, json=said)
