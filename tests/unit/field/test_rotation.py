"""A season of trap sets, worked by hand."""

import numpy as np
import pytest

from allocator.field.rotation import NO_SET, TOO_LATE, TOO_SHORT, Stages, plan_rotation, stage_dates


def test_stages_follow_each_other_day_by_day():
    stages = Stages(build=2, pre_bait=14, capture=5, reset=1, move_test=9)
    assert stages.cycle_days == 22
    assert stage_dates(100, stages) == {
        "build": (100, 101), "pre_bait": (102, 115), "capture": (116, 120), "reset": (121, 121),
    }  # fmt: skip


def test_a_stage_without_days_has_no_dates():
    assert stage_dates(0, Stages(build=0, pre_bait=3, capture=0, reset=1)) == {"pre_bait": (0, 2), "reset": (3, 3)}


@pytest.mark.parametrize(
    ("days", "says"),
    [
        ((-1, 14, 5, 1), "build is -1 days"),
        ((1, 14.5, 5, 1), "pre_bait is 14.5 days"),
        ((0, 0, 0, 0), "at least 1"),
        ((1, 7, 5, 1, 9), "day 9, but pre_bait has only 7"),
    ],
)
def test_stages_that_cannot_be_are_refused(days, says):
    with pytest.raises(ValueError, match=says):
        Stages(*days)


def test_equal_cycles_by_hand():
    # 25 open days hold two cycles of 12, 12 days hold one, 11 none: three sites a set, so seven sites need three sets
    plan = plan_rotation([0] * 7, [12] * 7, [(0, 24), (40, 51), (60, 70)])
    assert (plan.sets, plan.bound, plan.status, plan.unserved) == (3, 3, "optimal", ())
    assert plan.start == (0, 0, 0, 12, 12, 12, 40)
    assert plan.end == (11, 11, 11, 23, 23, 23, 51)
    assert plan.set_of == (0, 1, 2, 0, 1, 2, 0)


def test_a_closed_day_costs_the_days_before_it():
    # 20 days hold two cycles of 10; with day 10 closed, 10 and 9 days hold one
    assert plan_rotation([0, 0], [10, 10], [(0, 19)]).sets == 1
    assert plan_rotation([0, 0], [10, 10], [(0, 9), (11, 19)]).sets == 2


def test_the_next_site_begins_on_the_day_after():
    plan = plan_rotation([0, 3], [4, 4], [(0, 7)])
    assert (plan.sets, plan.start, plan.end) == (1, (0, 4), (3, 7))
    # one day later the window is too short for both: 0 to 3 and 5 to 8
    assert plan_rotation([0, 5], [4, 4], [(0, 7)]).unserved == ((1, TOO_LATE),)
    assert plan_rotation([0, 4], [5, 4], [(0, 7)]).sets == 2


def test_different_cycles_that_only_fit_together_one_way():
    # one set: 7 + 3 in the first window, 6 + 4 in the second; by rank or by length it would need two
    plan = plan_rotation([0, 0, 0, 0], [7, 6, 4, 3], [(0, 9), (20, 29)])
    assert (plan.sets, plan.bound, plan.status) == (1, 1, "optimal")
    # three sets of 4 + 3 + 3; longest first puts 4 + 4 + (2 days lost)
    plan = plan_rotation([0] * 9, [4, 4, 4, 3, 3, 3, 3, 3, 3], [(0, 9)])
    assert (plan.sets, plan.status) == (3, "optimal")


def test_cycles_that_fill_sets_to_the_last_day():
    # twelve sets over windows of 45 and 30 days, cut at random into sites with no day to spare: no plan has fewer
    rng = np.random.default_rng(5)
    cycles = [
        int(days)
        for length in [45, 30] * 12
        for days in np.diff([0, *np.sort(rng.choice(np.arange(6, length - 5, 6), 2, replace=False)), length])
    ]
    rng.shuffle(cycles)
    plan = plan_rotation([0] * len(cycles), cycles, [(0, 44), (60, 89)])
    assert (plan.sets, plan.bound, plan.status) == (12, 12, "optimal")


def test_reasons_for_sites_not_served():
    windows = [(10, 29), (40, 49)]
    plan = plan_rotation([0, 0, 12, 25, 41, 0], [20, 21, 20, 10, 10, 20], windows, sets=1)
    # site 3 is served from day 40; site 4 is ready one day too late, site 2 two days; sites 0 and 5 want the same set
    assert plan.unserved == ((1, TOO_SHORT), (2, TOO_LATE), (4, TOO_LATE), (5, NO_SET))
    assert plan.start == (10, -1, -1, 40, -1, -1)
    assert plan.end == (29, -1, -1, 49, -1, -1)
    assert plan.set_of == (0, -1, -1, 0, -1, -1)
    assert (plan.sets, plan.bound, plan.most, plan.status) == (1, 1, 2, "optimal")


def test_more_sites_come_before_better_ranks():
    # one set, ten days: the best site alone, or the two behind it
    assert plan_rotation([0, 0, 0], [10, 5, 5], [(0, 9)], sets=1).unserved == ((0, NO_SET),)
    # of two plans with one site each, the better rank
    assert plan_rotation([0, 0], [9, 6], [(0, 9)], sets=1).unserved == ((1, NO_SET),)
    # two sites either way: ranks 1 and 4 (weights 4 + 1) or ranks 2 and 3 (3 + 2) tie; ranks 1 and 3 beat both
    assert dict(plan_rotation([0] * 4, [5, 5, 5, 5], [(0, 9)], sets=1).unserved) == {2: NO_SET, 3: NO_SET}


def test_better_ranks_begin_earlier():
    plan = plan_rotation([0, 0, 5], [10, 10, 10], [(0, 40)], sets=1)
    assert plan.start == (0, 10, 20)
    # the best site is ready on day 11, after one other has been done; the third waits for it
    assert plan_rotation([11, 0, 0], [10, 10, 10], [(0, 40)], sets=1).start == (11, 0, 21)


def test_more_sets_than_sites_are_not_used():
    plan = plan_rotation([0, 0], [10, 10], [(0, 40)], sets=5)
    assert (plan.sets, plan.start, plan.bound) == (2, (0, 0), 1)


@pytest.mark.parametrize("sets", [None, 0, 3])
def test_nothing_to_do(sets):
    plan = plan_rotation([], [], [(0, 9)], sets)
    assert (plan.set_of, plan.sets, plan.bound, plan.status, plan.unserved) == ((), 0, 0, "optimal", ())
    plan = plan_rotation([0, 4], [3, 5], [], sets)
    assert (plan.set_of, plan.sets, plan.unserved) == ((-1, -1), 0, ((0, TOO_SHORT), (1, TOO_SHORT)))


def test_no_sets_serve_no_sites():
    plan = plan_rotation([0], [3], [(0, 9)], sets=0)
    assert (plan.start, plan.sets, plan.bound, plan.status, plan.unserved) == ((-1,), 0, 0, "optimal", ((0, NO_SET),))


def test_without_time_the_bound_is_still_below():
    rng = np.random.default_rng(2)
    cycles, ready = rng.integers(10, 31, 20).tolist(), rng.integers(0, 60, 20).tolist()
    windows = [(0, 70), (85, 140)]
    quick, exact = (plan_rotation(ready, cycles, windows, seconds=seconds) for seconds in (0, 30))
    assert exact.status == "optimal"
    assert quick.bound <= exact.sets <= quick.sets
    few, best = (plan_rotation(ready, cycles, windows, sets=3, seconds=seconds) for seconds in (0, 30))
    assert len(best.unserved) <= len(few.unserved)
    assert 20 - len(best.unserved) <= few.most


def test_a_year_of_sixty_sites_is_proven():
    # three lengths of cycle, four ready days, two closed times: the measured size for which exactness is claimed
    rng = np.random.default_rng(0)
    cycles, ready = rng.choice([21, 33, 45], 60).tolist(), rng.choice([0, 5, 12, 120], 60).tolist()
    windows = [(0, 89), (105, 243), (320, 364)]
    assert plan_rotation(ready, cycles, windows).status == "optimal"
    few = plan_rotation(ready, cycles, windows, sets=6)
    assert (few.status, few.most) == ("optimal", 60 - len(few.unserved))


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (([0], [3, 4], [(0, 9)]), "1 sites have a ready day, but 2 a cycle"),
        (([0], [0], [(0, 9)]), "A cycle has 0 days"),
        (([0], [2.5], [(0, 9)]), "A cycle has 2.5 days"),
        (([0], [3], [(5, 9), (0, 3)]), "Window 0 to 3 comes after day 9"),
        (([0], [3], [(0, 9), (9, 12)]), "Window 9 to 12"),
        (([0], [3], [(4, 3)]), "Window 4 to 3"),
        (([0], [3], [(-2, 3)]), "Window -2 to 3"),
        (([0], [3], [(0, 9)], -1), "sets is -1"),
        (([0], [3], [(0, 9)], 1.5), "sets is 1.5"),
        (([0], [3], [(0, 9)], 1, -1.0), "seconds is -1"),
        (([0], [3], [(0, 9)], 1, float("nan")), "seconds is nan"),
    ],
)
def test_what_cannot_be_is_refused(arguments, says):
    with pytest.raises(ValueError, match=says):
        plan_rotation(*arguments)
