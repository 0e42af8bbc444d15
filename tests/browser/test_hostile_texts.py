"""Texts that mean harm in a real logbook and bench file: shown as text on every screen, nothing runs."""

import threading

import numpy as np
import pytest

from dashboard.app import Server, Settings
from livesense.logbook.rows import StageRow
from livesense.logbook.writer import LogbookWriter
from livesense.samples import CodeType, GroupInfo, ScanBlock, SegmentStart

IMG = "<img src=x onerror=alert(1)>"
MATH = "%{x} $\\href{javascript:alert(3)}{y}$"
EVIL = f"{IMG}<script>alert(2)</script> {MATH} \u202eright\u202c \x07 </b>"
BENCH = f"""
[bench]
name = "{IMG} %{{y}} $z$"
[adc]
bits = 12
reference = "3.3 V"
[motor]
pole_pairs = 5
""" + "".join(
    f"""
[[channel]]
name = "i{phase.lower()}"
phase = "{phase}"
sensor = "shunt"
shunt = "5 mΩ"
gain = 20
reference = "mid-supply"
board = "{IMG}"
"""
    for phase in "UVW"
)


@pytest.fixture
def hostile(tmp_path):
    logbook, bench = tmp_path / "livesense.db", tmp_path / f"pump {IMG.replace('/', '')}.toml"
    bench.write_text(BENCH, encoding="utf-8")
    writer = LogbookWriter(logbook)
    keys = ("bench_name", "bench_path", "version", "port", "wire")
    about = dict.fromkeys(keys, EVIL) | {"bench_text": BENCH}
    runs = [writer.start_run(name=EVIL, started_wall_s=1.8e9 + n, **about) for n in range(2)]
    angle = 2 * np.pi * 50 * np.arange(4000)[:, None] / 2000 + np.array([0, 1, 2]) * 2 * np.pi / 3
    codes = (2048 + 500 * np.sin(angle)).astype("<u2")
    for run in runs:
        run.describe(EVIL, EVIL)
        run.add_groups([GroupInfo(2000.0, CodeType.U16, 12, ("iu", "iv", "iw"))], {"iu": EVIL})
        run.segment(SegmentStart(0, 0, 0.0, 2000.0))
        run.append(ScanBlock(0, 0, codes))
        run.note(EVIL, 1.8e9 + 1, 100, source="device")
        run.note(EVIL, 1.8e9 + 2, 200, source="user")
        checks = [{"what": EVIL, "verdict": EVIL, "value": EVIL, "expected": EVIL, "text": EVIL}]
        run.stage(StageRow(0, 1.8e9, "stop", EVIL, 0.0, 1.0, EVIL, {"checks": checks, "given": EVIL}))
        run.commit()
    runs[0].finish("asked", 1.8e9 + 5)
    server = Server(Settings(logbook, token="t", benches=(bench,), links=(f"socket://x{IMG}:1",)))
    thread = threading.Thread(target=server.run)
    thread.start()
    yield server
    server.close()
    thread.join(20)
    writer.close()


SCREENS = {
    "": "!!document.querySelector('#say') && document.getElementById('say').textContent.length > 30",
    "runs": "!!document.querySelector('.settled .ag-row a')",
    "runs/1": "!!document.querySelector('#run-notes p')",
    "runs/2": "!!document.querySelector('#run-notes p')",
    "compare/1/2": "!!document.querySelector('[data-screen]')",
    "record": "!!document.querySelector('.rec-card')",
    "bringup/2": "!!document.querySelector('#bring-stop-verdict li')",
    "walk/2": "!!document.querySelector('[data-screen=walk]')",
    "bench": "!!document.querySelector('#b-channel-0')",
}


@pytest.mark.slow
def test_on_every_screen_it_is_text_and_nothing_runs(hostile, window):
    screen = window()
    page = screen.page
    ran = []
    page.on("dialog", lambda dialog: (ran.append(dialog.message), dialog.dismiss()))
    page.goto(hostile.url)
    for path, ready in SCREENS.items():
        page.goto(hostile.address + path)
        screen.wait(ready)
        page.wait_for_timeout(500)
        assert page.locator("img[src='x']").count() == 0, path
        scripts = page.eval_on_selector_all("script", "all => all.map(s => s.textContent)")
        assert not any("alert(2)" in text for text in scripts), path
        links = page.eval_on_selector_all("a[href]", "all => all.map(a => a.getAttribute('href'))")
        assert all(link.startswith(("/", "#")) for link in links), path
        assert page.locator("svg a, .js-plotly-plot b").count() == 0, path
        if path.startswith(("runs", "record", "bringup")):
            assert IMG in page.evaluate("document.body.textContent"), path
    assert not ran
    page.goto(hostile.address + "bench-card/0")
    assert page.locator("img, script").count() == 0
    assert IMG in page.inner_text("body")
    assert not ran
