"""Which run Live shows where several are recorded."""

from dashboard.follow import FRESH_S, HELD_S, Choice, Follow, Recording


def alive(number, holds_scans=True, sign_wall_s=1000.0):
    return Recording(number, holds_scans, sign_wall_s)


class Logbook:
    """States of the runs that are over."""

    def __init__(self, **states):
        self.states = {int(number[1:]): state for number, state in states.items()}

    def __call__(self, number):
        return self.states[number]


def nothing():
    """No run holds scans, or it does not matter."""


def test_the_newest_that_is_recorded_and_holds_scans():
    assert Follow().choose(0.0, [alive(3, False), alive(2), alive(1)], 4, Logbook(), nothing) == Choice(
        2, (3, 1)
    )


def test_without_scans_the_newest_that_is_recorded():
    assert Follow().choose(0.0, [alive(3, False), alive(2, False)], 3, Logbook(), nothing).shown == 3


def test_a_recorder_that_gives_no_sign_is_passed_over():
    hanging = alive(3, sign_wall_s=1000.0 - FRESH_S - 1)
    assert Follow().choose(0.0, [hanging, alive(2)], 3, Logbook(), nothing).shown == 2


def test_when_nothing_is_recorded_the_newest_of_all():
    assert Follow().choose(0.0, [], 4, Logbook(), nothing) == Choice(4)
    assert Follow().choose(0.0, [], None, Logbook(), nothing) == Choice(None)


def test_when_nothing_is_recorded_a_run_without_scans_is_passed_over_and_told():
    assert Follow().choose(0.0, [], 4, Logbook(), lambda: 2) == Choice(2, newer=4)
    assert Follow().choose(0.0, [], 4, Logbook(), lambda: 4) == Choice(4)
    # What is recorded is shown whatever it holds: its first scan is waited for.
    assert Follow().choose(0.0, [alive(4, False)], 4, Logbook(), lambda: 2) == Choice(4)


def test_a_run_that_died_without_scans_stays_in_sight():
    follow = Follow()
    follow.choose(0.0, [alive(4, False)], 4, Logbook(), lambda: 2)
    assert follow.choose(1.0, [], 4, Logbook(n4="recovered"), lambda: 2) == Choice(4)


def test_a_run_whose_recorder_died_stays_in_sight_beside_another_without_scans():
    follow = Follow()
    follow.choose(0.0, [alive(2, False), alive(1)], 2, Logbook(), nothing)
    for now in (1.0, 2 * HELD_S, 9 * HELD_S):
        choice = follow.choose(now, [alive(2, False)], 2, Logbook(n1="recovered"), nothing)
        assert choice == Choice(1, (2,))


def test_after_a_while_it_goes_over_to_one_with_scans_and_still_tells_of_the_death():
    follow, states = Follow(), Logbook(n2="recovered")
    follow.choose(0.0, [alive(2, sign_wall_s=990.0), alive(1)], 2, Logbook(), nothing)
    assert follow.shown == 1 or follow.shown == 2
    follow.shown = 2
    assert follow.choose(1.0, [alive(1)], 2, states, nothing) == Choice(2, (1,))
    assert follow.choose(1.5 + HELD_S, [alive(1)], 2, states, nothing) == Choice(1, died=((2, 990.0),))
    assert follow.choose(1e6, [alive(1)], 2, states, nothing) == Choice(1, died=((2, 990.0),))


def test_a_run_begun_after_the_death_is_shown_at_once_and_ends_the_telling():
    follow = Follow()
    follow.choose(0.0, [alive(1)], 1, Logbook(), nothing)
    states = Logbook(n1="recovered")
    assert follow.choose(1.0, [], 1, states, nothing) == Choice(1)
    assert follow.choose(1.5, [alive(2, False)], 2, states, nothing) == Choice(2)


def test_the_death_of_one_that_was_not_shown_is_told():
    follow = Follow()
    assert follow.choose(0.0, [alive(2), alive(1)], 2, Logbook(), nothing) == Choice(2, (1,))
    assert follow.choose(1.0, [alive(2)], 2, Logbook(n1="failed"), nothing) == Choice(2, died=((1, 1000.0),))


def test_all_deaths_are_told_and_ports_that_are_gone():
    follow = Follow()
    alone = [alive(2), Recording(1, True, 1000.0, away=True)]
    assert follow.choose(0.0, alone, 2, Logbook(), nothing) == Choice(2, (1,), (1,))
    states = Logbook(n1="recovered", n2="recovered")
    assert follow.choose(1.0, alone[1:], 2, states, nothing) == Choice(2, (1,), (1,))
    assert follow.choose(2.0, [], 2, states, nothing) == Choice(2, died=((1, 1000.0),))


def test_a_run_that_was_ended_properly_is_left_without_a_word():
    follow = Follow()
    follow.choose(0.0, [alive(2), alive(1)], 2, Logbook(), nothing)
    assert follow.choose(1.0, [alive(1)], 2, Logbook(n2="complete"), nothing) == Choice(1)
