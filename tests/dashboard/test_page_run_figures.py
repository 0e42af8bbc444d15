"""Which part of a run is measured when nobody chose one."""

from types import SimpleNamespace

import numpy as np
import pytest

from dashboard.run_figures import LONGEST_MEASURED_S, measured_stretch


class Story:
    """A run whose current swings as it is told: ``(until_s, amplitude)`` one after the other."""

    def __init__(self, fake, *told):
        self.channels = [fake.FakeChannel("iu", phase="U")]
        self.told = told
        self.run = SimpleNamespace(dropped=lambda: [])

    def extent_s(self):
        return 0.0, self.told[-1][0]

    def envelope(self, name, from_s, to_s, buckets):
        edges = np.linspace(from_s, to_s, buckets + 1)
        middle = (edges[1:] + edges[:-1]) / 2
        which = np.searchsorted([until for until, _ in self.told], middle)
        high = np.array([amplitude for _, amplitude in self.told])[which]
        return SimpleNamespace(time_s=middle, low=-high, high=high, mean=0 * high)


def test_the_first_steady_part_is_taken_not_the_rest_before_it(fake):
    run = Story(fake, (3.0, 0.01), (4.0, 9.0), (12.0, 5.0), (15.0, 8.0))
    from_s, to_s, of = measured_stretch(run, 0.0, 15.0)
    assert 4.0 <= from_s < 4.6 and to_s == pytest.approx(from_s + 5.0)
    assert of == "the first steady part of this run"


def test_one_part_that_is_steady_but_short_is_passed_over(fake):
    run = Story(fake, (1.0, 5.0), (1.6, 9.0), (6.0, 7.0))
    from_s, to_s, _ = measured_stretch(run, 0.0, 6.0)
    assert 1.6 <= from_s and to_s <= 6.0


def test_a_steady_part_late_in_a_long_run_is_found(fake):
    run = Story(fake, (2000.0, 0.0), (3600.0, 5.0))
    from_s, to_s, of = measured_stretch(run, 0.0, 3600.0)
    assert 2000.0 <= from_s < 2040.0 and to_s == pytest.approx(from_s + 5.0)
    assert "first steady part" in of


def test_a_stretch_somebody_zoomed_into_is_measured_as_it_is(fake):
    run = Story(fake, (100.0, 5.0))
    assert measured_stretch(run, 3.0, 4.0) == (3.0, 4.0, "the stretch shown above")


def test_a_run_at_rest_says_that_no_part_is_steady(fake):
    assert measured_stretch(Story(fake, (8.0, 0.001)), 0.0, 8.0) == (
        0.0, 8.0, "the whole run, no part of which is steady",
    )  # fmt: skip
    from_s, to_s, of = measured_stretch(Story(fake, (90.0, 0.001)), 0.0, 60.0)
    assert (from_s, to_s) == (0.0, LONGEST_MEASURED_S)
    assert of == "the first 20 s of the stretch shown above"


def test_channels_without_a_current_have_no_steady_part(fake):
    run = Story(fake, (8.0, 5.0))
    run.channels = [fake.FakeChannel("vbus", unit="V", quantity="voltage")]
    assert measured_stretch(run, 0.0, 8.0)[2] == "the whole run, no part of which is steady"
