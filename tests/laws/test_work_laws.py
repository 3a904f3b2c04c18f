"""Laws of season, phases and costs, and plain ways of finding the same season."""

from datetime import date, timedelta
from decimal import Decimal
from itertools import pairwise, product

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from allocator.core.kit import CostLine, KitInputs, Price
from allocator.field.costs import cost_plan
from allocator.field.labour import Task
from allocator.field.open_days import Stages
from allocator.field.rotation import Rotation
from allocator.field.schedule import Schedule, plan_schedule
from allocator.field.trips import Trips
from tests.builders import DESIGN, PASTURE, law, make_settings, make_study

# Days off for federal holidays in 2027 under 5 U.S.C. 6103, by hand: 19 June is a Saturday, 4 July a Sunday, Christmas
# and the next New Year's Day are Saturdays.
HOLIDAYS = {
    date(2027, *day)
    for day in [
        (1, 1),
        (1, 18),
        (2, 15),
        (5, 31),
        (6, 18),
        (7, 5),
        (9, 6),
        (10, 11),
        (11, 11),
        (11, 25),
        (12, 24),
        (12, 31),
    ]
}
ORDER = ("build", "pre_bait", "capture", "reset")
DAY = timedelta(days=1)


@st.composite
def seasons(draw, longest=80, most_sites=8, longest_stage=6):
    """Settings of a season in 2027, and a number of sites."""
    first = date(2027, 2, 1) + draw(st.integers(0, 180)) * DAY
    last = first + draw(st.integers(0, longest - 1)) * DAY
    closed = []
    for _ in range(draw(st.integers(0, 2))):
        begin = first + draw(st.integers(-5, longest)) * DAY
        closed.append((begin, begin + draw(st.integers(0, 12)) * DAY))
    stage = st.integers(0, longest_stage)
    pre_bait = draw(stage)
    calendar = {
        "first_day": first, "last_day": last, "closed": closed, "holidays": draw(st.sampled_from(["off", "work"])),
        "build_days": draw(st.integers(1, 3)), "pre_bait_days": pre_bait, "capture_days": draw(st.integers(1, 4)),
        "reset_days": draw(st.integers(0, 2)), "move_test_day": draw(st.integers(0, pre_bait)),
        "locate_business_days": draw(st.integers(0, 5)),
        "first_call": draw(st.none() | st.integers(-20, 20).map(lambda number: first + number * DAY)),
    }  # fmt: skip
    crews = {"available": draw(st.none() | st.integers(1, 2)), "build_hours": draw(st.integers(0, 20))}
    sets = draw(st.none() | st.integers(1, 4))
    settings_of = make_settings(calendar=calendar, crews=crews, equipment={} if sets is None else {"sets": sets})
    return settings_of, draw(st.integers(0, most_sites))


def plain_runs(calendar):
    """Open days of each run between closed times, day by day."""
    runs, run, day = [], [], calendar.first_day
    while day <= calendar.last_day:
        if any(begin <= day <= end for begin, end in calendar.closed):
            runs, run = [*runs, run], []
        elif calendar.holidays == "work" or day not in HOLIDAYS:
            run.append(day)
        day += DAY
    return [one for one in [*runs, run] if one]


def is_business_day(day):
    return day.weekday() < 5 and day not in HOLIDAYS


def business_days_between(call, build):
    """Business days after the call and before the day of building."""
    return sum(is_business_day(call + number * DAY) for number in range(1, (build - call).days))


def cycle_of(calendar):
    return calendar.build_days + calendar.pre_bait_days + calendar.capture_days + calendar.reset_days


@law(150)
@given(seasons())
def test_every_date_is_open_in_order_and_in_one_run(season):
    settings, sites = season
    plan, runs = plan_schedule(settings, sites), plain_runs(settings.calendar)
    if plan.days is None:
        assert max(map(len, runs), default=0) < cycle_of(settings.calendar) and plan.notes
        return
    assert list(plan.days) == [day for run in runs for day in run]
    for site in plan.served.tolist():
        days = []
        for stage in ORDER:
            if stage in (spans := plan.stage_days(site)):
                first, last = spans[stage]
                days += plan.days[first : last + 1]
                assert last - first + 1 == getattr(settings.calendar, f"{stage}_days")
            else:
                assert getattr(settings.calendar, f"{stage}_days") == 0
        assert list(spans) == [stage for stage in ORDER if stage in spans]
        (run,) = [run for run in runs if days[0] in run]
        at = run.index(days[0])
        assert days == run[at : at + cycle_of(settings.calendar)]  # one open day after the other, in this order


@law(150)
@given(seasons())
def test_no_set_is_at_two_sites_on_one_day_and_sets_are_never_below_the_bound(season):
    settings, sites = season
    plan = plan_schedule(settings, sites)
    rotation, at_hand = plan.rotation, settings.equipment.sets
    taken = [
        (rotation.set_of[site], day)
        for site in plan.served.tolist()
        for day in range(rotation.start[site], rotation.end[site] + 1)
    ]
    assert len(taken) == len(set(taken)) == len(plan.served) * cycle_of(settings.calendar)
    used = {rotation.set_of[site] for site in plan.served.tolist()}
    assert used == set(range(rotation.sets)) and rotation.sets >= rotation.bound
    assert at_hand is None or rotation.sets <= at_hand
    left = sites - len(plan.served)
    assert len(rotation.unserved) == left
    told = [one for one in plan.notes if "no trap set" in one]
    assert len(told) == (left > 0) and all(one.startswith(f"{left} of {sites} sites") for one in told)


@law(150)
@given(seasons())
def test_calls_are_as_late_as_the_lead_lets(season):
    """Found by looking at every day before: the latest business day with a whole lead before the day of building."""
    settings, sites = season
    plan, calendar = plan_schedule(settings, sites), settings.calendar
    for site in range(sites):
        call = plan.call_by(site)
        if plan.days is None or plan.start[site] < 0:
            assert call is None
            continue
        build, lead = plan.days[plan.start[site]], calendar.locate_business_days
        before = [build - number * DAY for number in range(1, 40)]
        assert call == next(day for day in before if is_business_day(day) and business_days_between(day, build) >= lead)
        assert calendar.first_call is None or call >= calendar.first_call


def earliest(settings, sites, days):
    """First open day of each site, day by day: after a whole lead from the first call, so many starts a day."""
    calendar, crews = settings.calendar, settings.crews
    first = 0
    if calendar.first_call is not None:
        call = calendar.first_call
        while not is_business_day(call):
            call += DAY
        enough = [n for n, day in enumerate(days) if day > call and business_days_between(call, day) >= (
            calendar.locate_business_days)]  # fmt: skip
        first = enough[0] if enough else len(days)
    if crews.available is None:
        return [first] * sites
    each, a_day = crews.build_hours + crews.reset_hours, 0
    while (a_day + 1) * each <= crews.available * crews.size * crews.shift_hours and a_day < sites:
        a_day += 1
    return [first + site // max(a_day, 1) for site in range(sites)]


def small_season(seed):
    """Two to four sites of 2 to 5 days in a fortnight with a holiday, often a closed day, a first call, few crews."""
    random = np.random.default_rng(seed)
    first, length = date(2027, 7, 1), int(random.integers(8, 15))
    closed = [first + int(random.integers(6, 10)) * DAY] * int(random.integers(0, 2))
    calendar = {
        "first_day": first, "last_day": first + (length - 1) * DAY, "closed": [(day, day) for day in closed],
        "holidays": str(random.choice(["off", "work"])), "build_days": 1, "pre_bait_days": int(random.integers(0, 3)),
        "capture_days": 1, "reset_days": int(random.integers(0, 2)), "move_test_day": 0,
        "locate_business_days": int(random.integers(0, 3)),
    }  # fmt: skip
    if random.random() < 0.5:
        calendar["first_call"] = first + int(random.integers(-4, 4)) * DAY
    crews = {"size": 1, "shift_hours": 8, "build_hours": 3, "reset_hours": int(random.integers(1, 6))}
    if random.random() < 0.6:
        crews["available"] = 1
    sets = {"sets": int(random.integers(1, 3))} if random.random() < 0.5 else {}
    return make_settings(calendar=calendar, crews=crews, equipment=sets), int(random.integers(2, 5))


@pytest.mark.parametrize("seed", range(60))
def test_sets_are_as_few_as_any_choice_of_days_needs(seed):
    """All choices of a day for each site: the fewest sites at once, or the most sites for the sets at hand."""
    settings, sites = small_season(seed)
    plan, cycle, at_hand = plan_schedule(settings, sites), cycle_of(settings.calendar), settings.equipment.sets
    windows, at = [], 0
    for run in plain_runs(settings.calendar):
        windows.append((at, at + len(run)))
        at += len(run)
    assert plan.days is not None and at == len(plan.days)
    starts = [
        [day for first, after in windows for day in range(max(first, soonest), after - cycle + 1)]
        for soonest in earliest(settings, sites, plan.days)
    ]
    best = (0, 0)
    for choice in product(*([*days, None] if at_hand or not days else days for days in starts)):
        load = [0] * at
        for day in choice:
            for number in range(day, day + cycle) if day is not None else ():
                load[number] += 1
        found = (-sum(day is not None for day in choice), max(load))
        if at_hand is None:
            best = found if best == (0, 0) else min(best, found)
        elif found[1] <= at_hand:
            best = min(best, found)
    assert len(plan.served) == -best[0]
    assert at_hand or plan.rotation.sets == plan.rotation.bound == best[1]
    assert all(plan.start[site] in starts[site] for site in plan.served.tolist())


@law(100)
@given(seasons(), st.integers(1, 12))
def test_sets_follow_from_what_one_set_does_when_all_are_ready(season, sites):
    """Sites over the sum of floor(run / stay), rounded up."""
    settings = make_settings(calendar=season[0].calendar.model_dump() | {"first_call": None})
    cycle = cycle_of(settings.calendar)
    each = sum(len(run) // cycle for run in plain_runs(settings.calendar))
    rotation = plan_schedule(settings, sites).rotation
    assert rotation.sets == rotation.bound == (-(-sites // each) if each else sites)


@law(200)
@given(st.lists(st.integers(-1, 30), max_size=7), st.tuples(*[st.integers(0, 6)] * 4), st.sampled_from(ORDER))
def test_every_day_of_a_stage_is_in_one_phase_that_holds_the_site(starts, days, stage):
    if not sum(days):
        days = (1, 0, 0, 0)
    stages = Stages(*days)
    end = tuple(start + stages.cycle_days - 1 if start >= 0 else -1 for start in starts)
    rotation = Rotation(tuple(range(len(starts))), tuple(starts), end, len(starts), 1, len(starts), "feasible", ())
    phases = Schedule(stages, None, frozenset(), 3, rotation, ()).phases(stage)
    before = sum(days[: ORDER.index(stage)])
    expected = [
        (site, start + before + number)
        for site, start in enumerate(starts)
        if start >= 0
        for number in range(days[ORDER.index(stage)])
    ]
    found = [(site, day) for one in phases for site in one.sites for day in range(one.first, one.last + 1)]
    assert sorted(found) == sorted(expected)  # each once
    for one, after in pairwise(phases):
        assert one.last < after.first
        assert one.sites != after.sites or one.last + 1 < after.first  # runs are as long as they can be
    assert all(list(one.sites) == sorted(one.sites) for one in phases)


ITEMS = ("panel", "door", "post", "tie", "trigger", "camera", "sign", "gloves", "bait", "mile")
PER = {"gloves": "pair", "bait": "lb", "mile": "mile"}


def costs_of(prices, wage, other, sites, hours, grant, fringe):
    priced = {item: Price(item, usd, PER.get(item, "each"), "2026-01-01", "an example") for item, usd in prices.items()}
    lines = tuple(CostLine("own", "other", Decimal(3), usd) for usd in other)
    crews = {"fringe_percent": fringe} if wage is None else {"wage_usd_per_hour": wage, "fringe_percent": fringe}
    settings = make_settings(crews=crews, grant=grant)
    study = make_study(np.full((2, 2), PASTURE), [shapely.box(0, 0, 20, 20)], settings=settings,
                       kit=KitInputs("ring", DESIGN, priced, {}, lines))  # fmt: skip
    trips = Trips((), (), np.full(sites, 12345.0), np.zeros(sites), 1, 1, ())
    tasks = (Task("Build", sites, "sites", hours, ""),)
    return cost_plan(study, plan_schedule(settings, sites), trips, tasks)


@pytest.mark.parametrize("grant", [{}, {"award_date": date(2026, 1, 1), "unit": "item", "indirect_percent": 10},
                                   {"award_date": date(2024, 1, 1), "unit": "trap"}])  # fmt: skip
@law(30)
@given(
    prices=st.dictionaries(st.sampled_from(ITEMS), st.decimals(0, 9000, places=2)),
    wage=st.none() | st.decimals(0, 90, places=2),
    other=st.lists(st.decimals(0, 9000, places=2), max_size=3),
    sites=st.integers(0, 4),
    hours=st.floats(0, 900),
    fringe=st.integers(0, 50),
)
def test_doubling_prices_and_wage_doubles_the_direct_cost(grant, prices, wage, other, sites, hours, fringe):
    one = costs_of(prices, wage, other, sites, hours, grant, fringe)
    twice_wage = None if wage is None else 2 * wage
    two = costs_of({item: 2 * usd for item, usd in prices.items()}, twice_wage, [2 * usd for usd in other], sites,
                   hours, grant, fringe)  # fmt: skip
    direct = [each.total_usd if each.budget is None else each.budget.direct_usd for each in (one, two)]
    assert abs(direct[1] - 2 * direct[0]) <= Decimal("0.01") * (len(one.lines) + 1)  # each line is rounded to cents
    assert one.blank == two.blank and len(one.lines) == len(two.lines)


@law(60)
@given(
    prices=st.dictionaries(st.sampled_from(ITEMS), st.decimals(1, 900, places=2)),
    sites=st.integers(1, 4),
    award=st.sampled_from([None, date(2024, 1, 1), date(2026, 1, 1)]),
    unit=st.sampled_from(["trap", "item"]),
)
def test_what_is_in_no_sum_is_named_and_nothing_else(prices, sites, award, unit):
    """A line without an amount means something is named; the total is the sum of the amounts there are."""
    costs = costs_of(prices, Decimal(20), [], sites, 8.0, {"award_date": award, "unit": unit}, 0)
    known = [one.amount_usd for one in costs.lines if one.amount_usd is not None]
    assert costs.total_usd == sum(known, Decimal(0))
    assert (len(known) < len(costs.lines)) == bool(costs.blank)
    items = set(ITEMS) - {"bait", "mile"}
    assert {one for one in costs.blank if one in items} == items - set(prices)
    assert ("Bait (pounds)" in costs.blank, "Truck miles" in costs.blank) == (
        "bait" not in prices,
        "mile" not in prices,
    )
    if unit == "item" or award is None:
        assert not any("complete trap" in one for one in costs.blank)
    elif items - {"gloves"} - set(prices):
        assert any("complete trap" in one for one in costs.blank)
