"""Every figure that can be given or withheld is explained in docs/measures.md."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import pytest

from livesense.measures.channel_figures import ChannelMeasures
from livesense.measures.group import Speed
from livesense.measures.power import Power
from livesense.measures.three_phase import ThreePhase

DOCS = (Path(__file__).parents[2] / "docs" / "measures.md").read_text(encoding="utf-8")
NAMES = {f.name for part in (ChannelMeasures, ThreePhase, Power, Speed) for f in fields(part)} - {"withheld"}


@pytest.mark.parametrize("name", sorted(NAMES))
def test_every_figure_is_explained(name):
    assert f"`{name}`" in DOCS
