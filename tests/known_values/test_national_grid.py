"""US National Grid and UTM against pygeodesy and published places."""

import numpy as np
import pytest
from pygeodesy import toMgrs, toUtm8

from allocator.summary.coordinates import crew_coordinates

PLACES = {
    # Computed with the mgrs library, cut down to 1 m (FGDC-STD-011-2001: truncate, never round)
    "Washington": (38.8977, -77.0365, "18S UJ 23394 07395"),
    "Norway's wider zone 32": (60.0, 6.0, "32V LM 32705 55205"),
    "southern hemisphere": (-33.8688, 151.2093, "56H LH 34368 50948"),
    "Hawaii": (21.3, -157.85, "04Q FJ 19283 55784"),
}


@pytest.mark.parametrize("name", PLACES)
def test_known_places(name):
    latitude, longitude, expected = PLACES[name]
    assert crew_coordinates(latitude, longitude).usng == expected


def test_svalbards_wider_zones():
    """Zone 33 reaches from 9 to 21 E from 72 N on: from memory, unverified; pygeodesy agrees below."""
    assert crew_coordinates(78.2, 15.6).usng.startswith("33X")
    assert crew_coordinates(78.2, 9.5).usng.startswith("33X")


def test_three_hundred_random_places_by_pygeodesy():
    """Cut down to whole metres; no place is so near a metre line that the two libraries' last digits could matter."""
    random = np.random.default_rng(12)
    latitude = np.concatenate([random.uniform(24, 49, 200), random.uniform(-79, 83.5, 100)])
    longitude = np.concatenate([random.uniform(-125, -66, 200), random.uniform(-180, 180, 100)])
    for one, other in zip(latitude, longitude, strict=True):
        ours, utm = crew_coordinates(one, other), toUtm8(one, other)
        for metres in (utm.easting, utm.northing):
            assert 2e-4 < metres % 1 < 1 - 2e-4
        east, north, square = int(utm.easting), int(utm.northing), toMgrs(utm)
        assert ours.utm == f"{utm.zone:02d}{'N' if one >= 0 else 'S'} {east} E {north} N"
        of_square = f"{east % 100_000:05d} {north % 100_000:05d}"
        assert ours.usng == f"{square.zone:02d}{square.band} {square.digraph} {of_square}"


def test_a_point_on_a_metre_line_is_not_cut_to_the_metre_below():
    """Zone 16: the middle meridian, 87 W, is easting 500,000 by definition, northing 0 at the equator."""
    found = crew_coordinates(0.0, -87.0)
    assert found.utm == "16N 500000 E 0 N"
    assert found.usng.endswith("00000 00000")


@pytest.mark.parametrize("latitude", [84.5, -80.5, 90.0])
def test_near_the_poles_there_is_no_coordinate(latitude):
    found = crew_coordinates(latitude, 20.0)
    assert (found.usng, found.utm) == ("", "")
