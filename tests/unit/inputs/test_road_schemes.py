"""Road schemes: which roads a truck may use, and how tags of OpenStreetMap refine it."""

import csv
from importlib import resources
from pathlib import Path

import pytest

from allocator.core.errors import SettingsError
from allocator.inputs.road_schemes import (
    STRICTEST_FIRST,
    TruckUse,
    read_road_scheme,
    read_tag_rules,
    tags_of_text,
    truck_use,
)

HERE = Path(__file__).parent
YES, DRY, NO = TruckUse("yes"), TruckUse("dry"), TruckUse("no")
PRIVATE, PRIVATE_DRY = TruckUse("yes", True), TruckUse("dry", True)


def rows(name):
    text = (resources.files("allocator.inputs") / "schemes" / f"{name}.csv").read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


def use(code, **tags):
    return read_tag_rules().refine(code, read_road_scheme("osm", HERE).truck[code], tags)


def test_classes_of_the_census():
    """Census MTFCC definitions (FCC DA-12-121A3 attachment): S1100 has interchanges and limited access, S1630 is a
    ramp, S1500 needs four-wheel drive, S1740 is a private road for service vehicles, unpaved roads fit for ordinary
    cars stay in S1400. That private roads need the owner's leave is the project's default.
    """
    truck = read_road_scheme("mtfcc", HERE).truck
    assert {code for code, one in truck.items() if one == "private"} == {"S1740", "S1780"}
    assert {code for code, one in truck.items() if one == "dry"} == {"S1500"}
    assert truck["S1100"] == truck["S1630"] == "no" and truck["S1200"] == truck["S1400"] == "yes"


def test_limited_access_and_ramps_of_openstreetmap():
    truck = read_road_scheme("osm", HERE).truck
    assert truck["motorway"] == "no"
    assert {one for code, one in truck.items() if code.endswith("_link")} == {"no"}


def test_the_table_of_tags_is_in_order():
    table = rows("roads_osm_tags")
    assert len({(row["class"], row["key"], row["value"]) for row in table}) == len(table)
    assert all(row["source"] for row in table)
    assert {row["truck"] for row in table if row["key"] == "access"} == set(STRICTEST_FIRST)
    assert {row["truck"] for row in table if row["key"] == "tracktype"} == {"yes", "dry"}
    assert {row["key"] for row in table} == {"access", "tracktype"}
    assert {row["class"] for row in table} == {"", "track"} and "track" in read_road_scheme("osm", HERE).truck


@pytest.mark.parametrize(("code", "tags", "expected"), [
    ("track", {}, DRY),
    # Firm to soft, grade1 to grade5: OpenStreetMap wiki Template:Map_Features:tracktype, read as a stored copy.
    ("track", {"tracktype": "grade1"}, YES),
    ("track", {"tracktype": "Grade2"}, YES),
    ("track", {"tracktype": "grade3"}, DRY),
    ("track", {"tracktype": "grade4"}, DRY),
    ("track", {"tracktype": "grade5"}, DRY),
    ("track", {"tracktype": "grade9"}, DRY),
    ("residential", {"tracktype": "grade5"}, YES),
    ("path", {"tracktype": "grade1"}, NO),
    ("residential", {"access": "no"}, NO),
    ("residential", {"access": "military"}, NO),
    ("residential", {"access": "private"}, PRIVATE),
    ("residential", {"access": "Private"}, PRIVATE),
    ("residential", {"access": "permissive"}, YES),
    ("residential", {"access": "mine"}, YES),
    ("residential", {"access": "yes;private"}, PRIVATE),
    ("residential", {"access": "private; no"}, NO),
    ("track", {"access": "private"}, PRIVATE_DRY),
    ("track", {"access": "private", "tracktype": "grade1"}, PRIVATE),
    ("track", {"access": "agricultural;forestry", "tracktype": "grade4"}, PRIVATE_DRY),
    ("motorway", {"access": "yes"}, NO),
    ("motorway_link", {"motor_vehicle": "private"}, NO),
    ("footway", {"access": "private"}, NO),
    # vehicle overrides access, motor_vehicle both: OpenStreetMap wiki Tag:vehicle=destination, read as a stored copy.
    ("service", {"access": "no", "motor_vehicle": "yes"}, YES),
    ("service", {"access": "yes", "motor_vehicle": "no"}, NO),
    ("service", {"access": "private", "motor_vehicle": "destination"}, YES),
    ("service", {"access": "no", "vehicle": "private"}, PRIVATE),
    ("service", {"vehicle": "no", "motor_vehicle": "private"}, PRIVATE),
])  # fmt: skip
def test_tags_refine_the_class(code, tags, expected):
    assert use(code, **tags) == expected


def test_a_class_of_ones_own_may_be_private_or_closed(tmp_path):
    (tmp_path / "mine.csv").write_text("code,name,truck\ntrack,Ranch track,PRIVATE\nramp,Ramp,no\n", encoding="utf-8")
    scheme = read_road_scheme("mine.csv", tmp_path)
    assert scheme.truck == {"track": "private", "ramp": "no"}
    assert truck_use("private") == PRIVATE
    rules = read_tag_rules()
    assert rules.refine("track", scheme.truck["track"], {"tracktype": "grade5"}) == PRIVATE_DRY
    assert rules.refine("ramp", scheme.truck["ramp"], {"motor_vehicle": "yes"}) == NO


def test_other_words_for_truck_are_refused(tmp_path):
    (tmp_path / "mine.csv").write_text("code,name,truck\nA,Road,perhaps\n", encoding="utf-8")
    with pytest.raises(SettingsError, match="truck is 'perhaps'; expected yes, dry, no or private"):
        read_road_scheme("mine.csv", tmp_path)


def test_values_that_no_rule_knows_are_named():
    rules = read_tag_rules()
    assert rules.unknown("track", {"access": "yes;mine", "tracktype": "soft"}) == ["access=mine", "tracktype=soft"]
    assert rules.unknown("track", {"access": "mine", "motor_vehicle": "yes", "tracktype": "Grade1"}) == []
    assert rules.unknown("residential", {"tracktype": "soft"}) == []


def test_text_of_tags():
    assert tags_of_text("") == tags_of_text("no tags here") == {}
    assert tags_of_text(r'"a"=>"b, \"c\"=>\\","d"=>""') == {"a": 'b, "c"=>\\', "d": ""}
