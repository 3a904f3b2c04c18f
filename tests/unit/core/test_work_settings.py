"""What the sections of kit, season, crews and grant refuse, in which words, and what they work out."""

from datetime import date
from decimal import Decimal

import pytest
from pydantic import ValidationError

from tests.builders import make_settings


def refusal(**sections):
    with pytest.raises(ValidationError) as caught:
        make_settings(**sections)
    return str(caught.value)


@pytest.mark.parametrize(
    ("calendar", "words"),
    [
        ({"first_day": "2027-02-01"}, "last_day is missing; give both"),
        ({"last_day": "2027-02-01"}, "first_day is missing; give both"),
        ({"first_day": "2027-02-02", "last_day": "2027-02-01"}, "last_day 2027-02-01 is before first_day 2027-02-02"),
        ({"closed": [["2027-05-15", "2027-04-01"]]}, "closed [2027-05-15, 2027-04-01] ends before it begins"),
        ({"pre_bait_days": 9, "move_test_day": 10}, "move_test_day is 10, but pre_bait_days only 9"),
    ],
)
def test_dates_out_of_order_are_refused(calendar, words):
    assert words in refusal(calendar=calendar)


def test_dates_in_order_are_taken():
    day = {"first_day": "2027-02-01", "last_day": "2027-02-01", "closed": [["2027-02-01", "2027-02-01"]]}
    calendar = make_settings(calendar=day | {"pre_bait_days": 10, "move_test_day": 10}).calendar
    assert calendar.first_day == calendar.last_day == date(2027, 2, 1) and calendar.closed[0][0] == date(2027, 2, 1)


def test_half_a_base_is_refused():
    assert "base_longitude is missing" in refusal(crews={"base_latitude": 32.4})
    assert "base_latitude is missing" in refusal(crews={"base_longitude": -84.5})
    assert make_settings().crews.base is None
    assert make_settings(crews={"base_latitude": 0.0, "base_longitude": 0.0}).crews.base == (0.0, 0.0)  # 0 is a place
    assert make_settings(crews={"base_latitude": 32.4, "base_longitude": -84.5}).crews.base == (-84.5, 32.4)
    assert "base_latitude" in refusal(crews={"base_latitude": 90.1, "base_longitude": 0})


@pytest.mark.parametrize(
    ("award", "percent", "most"),
    # a de minimis rate is up to 10 percent, from 1 October 2024 up to 15: summary of the Texas Department of
    # Agriculture (squaremeals.org)
    [("2024-09-30", "10.01", 10), ("2024-09-30", "15", 10), ("2024-10-01", "15.01", 15), ("2026-01-01", "26", 15)],
)
def test_a_de_minimis_rate_above_the_ceiling_is_refused(award, percent, most):
    told = refusal(grant={"award_date": award, "indirect_percent": percent})
    assert f"indirect_percent is {percent}, but a de minimis rate is at most {most}% for an award of {award}" in told
    agreed = make_settings(grant={"award_date": award, "indirect_percent": percent, "indirect_kind": "negotiated"})
    assert agreed.grant.indirect_percent == Decimal(percent)


@pytest.mark.parametrize(
    "grant",
    [
        {"award_date": "2024-09-30", "indirect_percent": 10}, {"award_date": "2024-10-01", "indirect_percent": 15},
        {"award_date": "2024-10-01"}, {"indirect_percent": 50},  # without an award nothing is indirect
    ],
)  # fmt: skip
def test_rates_up_to_the_ceiling_are_taken(grant):
    assert make_settings(grant=grant).grant.award_date == (
        None if "award_date" not in grant else date.fromisoformat(grant["award_date"])
    )


def test_a_match_of_all_of_the_total_is_refused():
    assert "match_percent is 100 of the total; expected less than 100" in refusal(grant={"match_percent": 100})
    assert make_settings(grant={"match_percent": "99.99"}).grant.match_percent == Decimal("99.99")
    both = make_settings(grant={"match_percent": 100, "match_base": "federal"}).grant  # one dollar for each
    assert both.match_percent == 100


@pytest.mark.parametrize(
    ("hours", "days", "a_day"),
    [
        (24, 1, 1),
        (36, 1, 1),  # Mississippi's 36 hours (MDWFP via buckmasters.com): two days would be too long
        (47.99, 1, 1),
        (48, 2, 1),
        (72, 3, 1),
        (12, 1, 2),
        (13, 1, 2),  # once a day would be too seldom
        (8, 1, 3),
        (23.9, 1, 2),
        (1, 1, 24),
        (24 / 47, 1, 47),  # 47 but for float rounding
    ],
)
def test_checks_keep_to_the_interval(hours, days, a_day):
    crews = make_settings(crews={"check_interval_hours": hours}).crews
    assert (crews.days_between_checks, crews.checks_per_day) == (days, a_day)
    assert 24 * crews.days_between_checks / crews.checks_per_day <= hours + 1e-6


def test_speeds_in_metres():
    crews = make_settings(crews={"road_mph": 10, "walk_mph": 2}).crews
    assert (crews.road_m_per_hour, crews.walk_m_per_hour) == (16093.44, 3218.688)  # 1 mile = 1,609.344 m


@pytest.mark.parametrize(
    ("section", "values"),
    [
        ("equipment", {"sets": 0}), ("equipment", {"owned": -1}), ("equipment", {"spare_percent": -1}),
        ("equipment", {"payload_lb": 0}), ("calendar", {"build_days": 0}), ("calendar", {"capture_days": 0}),
        ("calendar", {"locate_business_days": -1}), ("calendar", {"holidays": "some"}), ("crews", {"available": 0}),
        ("crews", {"size": 0}), ("crews", {"check_interval_hours": 0}), ("crews", {"bait_every_days": 0}),
        ("crews", {"wage_usd_per_hour": "nan"}), ("crews", {"fringe_percent": 101}), ("grant", {"unit": "set"}),
        ("grant", {"expected_pigs": 0}), ("grant", {"match_base": "all"}), ("crews", {"shift_hours": "inf"}),
        ("crews", {"wages": 20}), ("calendar", {"first_day": "2027-02-30"}),
    ],
)  # fmt: skip
def test_values_out_of_range_are_refused(section, values):
    assert f"{section}.{next(iter(values))}" in refusal(**{section: values})
