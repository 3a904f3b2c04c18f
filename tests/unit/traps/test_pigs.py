"""Numbers of pigs and what taking them asks for, against published figures and hand-worked ones."""

import math
from itertools import pairwise

import pytest

from allocator.core.units import square_metres
from allocator.traps.pigs import (
    ANNUAL_GROWTH,
    PUBLISHED_DENSITY,
    TARGETS,
    effort_hours,
    expected_pigs,
    removals_to_hold,
    removals_to_reduce,
    target_against_growth,
)

BLANK = float("nan")


def test_pigs_on_100_square_kilometres_at_the_published_density():
    """Taylor et al., doi 10.1002/jwmg.70054: median 5.34, 0.60 to 15.85 pigs per square kilometre."""
    density = PUBLISHED_DENSITY
    pigs = expected_pigs(
        100e6,
        density_per_km2=density.median_per_km2,
        low_per_km2=density.low_per_km2,
        high_per_km2=density.high_per_km2,
    )
    assert pigs == pytest.approx((534, 60, 1585))
    assert "10.1002/jwmg.70054" in density.source


def test_one_pig_per_45_acres():
    """5.48 pigs per square kilometre (the same study, mark-resight, 0.22 to 30.97); the acres are computed."""
    pigs = expected_pigs(square_metres(45), density_per_km2=5.48, low_per_km2=0.22, high_per_km2=30.97)
    assert pigs[0] == pytest.approx(1, abs=0.01)


def test_a_published_count_gives_back_its_density():
    """65 pigs on 27 square kilometres ("Shifting to sounders", discovery.researcher.life); 2.4 per km2 is computed."""
    pigs, low, high = expected_pigs(27e6, density_per_km2=2.4, low_per_km2=2.35, high_per_km2=2.45)
    assert low < 65 < high
    assert pigs == pytest.approx(65, abs=0.5)


@pytest.mark.parametrize(
    ("growth", "percent", "source"),
    [
        (0.32, 24, "Mellish et al. 2014, Southeast. Nat. 13:367-376 for the growth; the share is computed"),
        (1.94, 66, "Timmons et al. 2012, SP-472 for the share; that it implies 2.94 a year is computed"),
        (2.33, 70, "the common 70 %; that it implies 3.33 a year is computed"),
        (2 ** (1 / 5) - 1, 13, "doubling in 5 years, AgriLife in The Eagle, 6 May 2020; 1.149 a year is computed"),
    ],
)
def test_share_that_holds_the_number(growth, percent, source):
    share, number = removals_to_hold(200, growth)
    assert round(100 * share) == percent, source
    assert number == pytest.approx(200 * share)


@pytest.mark.parametrize("growth", [0.0, 0.149, 0.32, 1.94])
def test_what_is_held_stays(growth):
    share, number = removals_to_hold(80, growth)
    assert (80 - number) * (1 + growth) == pytest.approx(80)
    # Taken after the growth: the same share of more pigs.
    grown = 80 * (1 + growth)
    assert grown - share * grown == pytest.approx(80)
    assert share * grown == pytest.approx(growth * 80)


def test_no_growth_needs_no_removal():
    assert removals_to_hold(80, 0.0) == (0.0, 0.0)


def test_a_reduction_worked_by_hand():
    """A quarter left after 2 years at growth 0.25: half stay each year, (1 - s) 1.25 = 0.5, s = 0.6."""
    share, years = removals_to_reduce(100, annual_growth=0.25, years=2, end_share=0.25)
    assert share == pytest.approx(0.6)
    assert [one.year for one in years] == [1, 2]
    assert [value for one in years for value in (one.start, one.taken, one.end)] == pytest.approx(
        [100, 60, 50, 50, 30, 25]
    )


@pytest.mark.parametrize("years", [1, 3, 10])
@pytest.mark.parametrize("end_share", [1.0, 0.5, 0.01])
@pytest.mark.parametrize("growth", [0.0, 0.32, 1.94])
def test_the_years_add_up(years, end_share, growth):
    share, table = removals_to_reduce(300, annual_growth=growth, years=years, end_share=end_share)
    assert 0 <= share < 1
    assert len(table) == years
    assert table[0].start == 300
    assert table[-1].end == pytest.approx(300 * end_share)
    for before, after in pairwise(table):
        assert after.start == before.end
    for one in table:
        assert one.taken == pytest.approx(share * one.start)
        assert one.end == pytest.approx((one.start - one.taken) * (1 + growth))


def test_reducing_to_the_same_number_is_holding_it():
    share, years = removals_to_reduce(50, annual_growth=0.32, years=4, end_share=1.0)
    assert (share, years[3].taken) == pytest.approx(removals_to_hold(50, 0.32))


def test_hours_of_the_published_elimination():
    """Fischer et al. 2020, Sci. Rep. 10, s41598-020-68264-z: 376 pigs, 6.8 h each for the first 99 %, 122.8 h each for
    the last 1 %. The sums are computed: 372.24 and 3.76 pigs.
    """
    assert effort_hours(376) == pytest.approx(372.24 * 6.8 + 3.76 * 122.8)
    assert effort_hours(376, 0.99) == pytest.approx(372.24 * 6.8)
    assert effort_hours(376, 0.5) == pytest.approx(188 * 6.8)
    assert (effort_hours(376) - effort_hours(376, 0.99)) / 3.76 == pytest.approx(122.8)


def test_hours_at_one_rate():
    """60 pigs at 2.3 person-hours each: Gaskamp et al. 2021, Animals 11:1565 for corrals; 138 h is computed."""
    assert effort_hours(60, hours_per_pig=2.3, last_hours_per_pig=2.3) == pytest.approx(138)


def test_hours_grow_steeper_at_the_end_and_no_pigs_cost_none():
    shares = [0.0, 0.3, 0.9, 0.99, 0.995, 1.0]
    hours = [effort_hours(1000, share) for share in shares]
    slopes = [(b - a) / (q - p) for (a, b), (p, q) in zip(pairwise(hours), pairwise(shares), strict=True)]
    assert hours[0] == 0
    assert slopes == pytest.approx(sorted(slopes))
    assert effort_hours(0) == 0
    assert effort_hours(10, last_share=1.0, last_hours_per_pig=3.0) == pytest.approx(30)


def test_targets_are_quoted_and_set_against_growth():
    """Timmons et al. 2012, SP-472: 66 % a year for 5 years or more. Implied 2.94 and 24 % are computed."""
    (target,) = TARGETS
    assert target.value == 0.66
    assert "66 %" in target.words
    assert "SP-472" in target.source
    sentence = target_against_growth(target, ANNUAL_GROWTH)
    for part in ("66%", "SP-472", "2.94", "32%", "24%", "not derived"):
        assert part in sentence


@pytest.mark.parametrize("wrong", [-1.0, BLANK, math.inf])
def test_wrong_numbers_are_refused(wrong):
    with pytest.raises(ValueError, match="habitat"):
        expected_pigs(wrong, density_per_km2=5, low_per_km2=1, high_per_km2=9)
    with pytest.raises(ValueError, match="density"):
        expected_pigs(1e6, density_per_km2=wrong, low_per_km2=1, high_per_km2=9)
    with pytest.raises(ValueError, match="low density"):
        expected_pigs(1e6, density_per_km2=5, low_per_km2=wrong, high_per_km2=9)
    with pytest.raises(ValueError, match="high density"):
        expected_pigs(1e6, density_per_km2=5, low_per_km2=1, high_per_km2=wrong)
    for call in (removals_to_hold, lambda *two: removals_to_reduce(two[0], annual_growth=two[1], years=1, end_share=1)):
        with pytest.raises(ValueError, match="pigs"):
            call(wrong, 0.3)
        with pytest.raises(ValueError, match="growth"):
            call(10, wrong)
    with pytest.raises(ValueError, match="pigs"):
        effort_hours(wrong)
    for name in ("hours_per_pig", "last_hours_per_pig"):
        with pytest.raises(ValueError, match="hours per pig"):
            effort_hours(10, **{name: wrong})
    for name in ("share_taken", "last_share"):
        with pytest.raises(ValueError, match="between 0 and 1"):
            effort_hours(10, **{name: wrong})


@pytest.mark.parametrize(("low", "high"), [(6, 9), (1, 4)])
def test_the_interval_must_hold_the_density(low, high):
    with pytest.raises(ValueError, match="between"):
        expected_pigs(1e6, density_per_km2=5, low_per_km2=low, high_per_km2=high)


@pytest.mark.parametrize("years", [0, -1, 1.5, BLANK])
def test_years_must_be_whole(years):
    with pytest.raises(ValueError, match="years"):
        removals_to_reduce(10, annual_growth=0.3, years=years, end_share=0.5)


@pytest.mark.parametrize("end_share", [0.0, -0.1, 1.1, BLANK])
def test_the_share_left_must_be_above_nothing_and_at_most_all(end_share):
    with pytest.raises(ValueError, match="left"):
        removals_to_reduce(10, annual_growth=0.3, years=2, end_share=end_share)
