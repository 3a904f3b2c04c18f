"""Rules on sites move sites, never habitat; and a site always serves something that no other serves."""

from allocator import demo_study_file, plan_traps, read_study


def test_a_rule_on_sites_moves_no_habitat():
    curve = ["habitat.curves.water_m=[[0, 1.0], [200, 1.0], [500, 0.5]]"]
    near = plan_traps(read_study(demo_study_file(), curve))
    far = plan_traps(read_study(demo_study_file(), [*curve, "sites.water_distance_m=[10, 1500]"]))
    assert near.totals.habitat_acres == far.totals.habitat_acres
    assert len(far.candidates) > len(near.candidates)


def test_no_site_only_repeats_what_others_serve():
    wide = ["traps.acres_per_trap=100", "sites.service_radius_m=1500", "sites.spacing_m=50"]
    plan = plan_traps(read_study(demo_study_file(), wide))
    assert plan.totals.sites > 5 and plan.totals.shortfall > 0
    assert (plan.sites["served_acres"] > 0).all()
    short = plan.properties[plan.properties["shortfall"] > 0]
    assert (short["shortfall_reason"] != "").all()
    assert short["shortfall_reason"].str.contains("adds no habitat").any()


def test_counting_by_centres_leaves_nothing_blank_that_is_not():
    plan = plan_traps(read_study(demo_study_file(), ["study.property_lines=centre"]))
    assert (plan.properties["blank_percent"] == 0).all()
