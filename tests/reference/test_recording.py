"""A recording that nobody here made: the fit starts 20 % off and finds the line, against independent fits."""

from __future__ import annotations

import numpy as np
import pytest
from public_records import fetched

from livesense.measures.channel_figures import ChannelInput
from livesense.measures.group import measure_group
from livesense.measures.sine_fit import SineFit, fit_line

pytestmark = pytest.mark.slow

RATE_HZ = 5760.0


@pytest.fixture(scope="module")
def currents(tmp_path_factory: pytest.TempPathFactory) -> np.ndarray:
    """First 0.2 s of three currents ``(1152, 3)``, A.

    pyComtrade 0.2.0 (GPLv3, from PyPI; fetched, never kept here), test3: COMTRADE 1999, BINARY; read by the
    library ``comtrade``. Its time is float32: the sample's number is the time here.
    """
    comtrade = pytest.importorskip("comtrade")
    folder = fetched(tmp_path_factory.mktemp("pycomtrade"), "pyComtrade==0.2.0")
    record = comtrade.Comtrade()
    found = sorted(folder.rglob("test3.cfg")) + sorted(folder.rglob("test3.CFG"))
    record.load(str(found[0]), str(found[0].with_suffix(".dat" if found[0].suffix == ".cfg" else ".DAT")))
    assert record.total_samples == 24768
    return np.array(record.analog[:3], dtype=np.float64).T[:1152]


def test_a_fit_started_at_60_hz_converges(currents: np.ndarray) -> None:
    # 115.2 scans a cycle; IA by itself: 49.9889 Hz, 1348.184 A rms (independent fits).
    alone = fit_line(currents[:, 0], RATE_HZ, start_hz=60.0)
    assert isinstance(alone, SineFit)
    assert alone.frequency_hz.value == pytest.approx(49.9889, abs=5e-4)
    assert alone.phasor_rms[0, 0].__abs__() == pytest.approx(1348.184, rel=1e-5)
    wide = fit_line(currents, RATE_HZ)
    narrow = fit_line(currents, RATE_HZ, start_hz=60.0)
    assert isinstance(wide, SineFit)
    assert isinstance(narrow, SineFit)
    assert narrow.frequency_hz.value == pytest.approx(wide.frequency_hz.value, abs=1e-7)


def test_components_with_one_joint_frequency(currents: np.ndarray) -> None:
    made = {f"i{p}": ChannelInput(currents[:, k], phase=p) for k, p in enumerate("UVW")}
    three = measure_group(made, RATE_HZ).three_phase
    assert three is not None
    for figure, value in ((three.zero_rms, 15.1), (three.positive_rms, 1357.6), (three.negative_rms, 16.5)):
        assert figure is not None
        assert figure.value == pytest.approx(value, abs=0.05)
    assert three.unbalance_percent is not None
    assert three.unbalance_percent.value == pytest.approx(1.215, rel=5e-3)
