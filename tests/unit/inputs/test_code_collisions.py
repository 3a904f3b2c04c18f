"""One code, two meanings: each legend gives a code its own class, and no file is read by a legend it is not in.

Legends: NLCD and NLCD 1992 of USGS/MRLC, C-CAP of NOAA, WorldCover of ESA, CDL of USDA NASS; where each was read stands
beside its cases. Scores are this project's own, so none is written here: a class must score as the class of another
legend that means the same ("twin").
"""

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from allocator import plan_traps, read_study
from allocator.core.errors import AllocatorError, InputError
from allocator.inputs.schemes import read_scheme
from tests.unit.inputs.small_inputs import classes, write_raster, write_study

HERE = Path()
SHIPPED = ("nlcd", "nlcd_1992", "ccap", "worldcover", "cdl")


@dataclass(frozen=True)
class Meaning:
    """What a legend says of a code, and a class of another legend with the same meaning."""

    scheme: str
    name: str
    twin: tuple[str, str]


def cover_class(scheme, code, folder=HERE):
    found = [one for one in read_scheme(scheme, folder).classes if one.code == code]
    assert len(found) == 1, f"{scheme} has {len(found)} classes {code}"
    return found[0]


def codes_of(scheme):
    return {one.code for one in read_scheme(scheme, HERE).classes}


WATER = ("Open Water", "Palustrine Aquatic Bed")
WETLANDS = ("Woody Wetlands", "Emergent Herbaceous Wetlands", "Herbaceous Wetland", "Mangroves")

NLCD_11 = Meaning("nlcd", "Open Water", ("ccap", "21"))
CCAP_21 = Meaning("ccap", "Open Water", ("nlcd", "11"))
NLCD_21 = Meaning("nlcd", "Developed, Open Space", ("ccap", "5"))
NLCD_22 = Meaning("nlcd", "Developed, Low Intensity", ("ccap", "4"))
NLCD_90 = Meaning("nlcd", "Woody Wetlands", ("nlcd_1992", "91"))
NLCD_95 = Meaning("nlcd", "Emergent Herbaceous Wetlands", ("nlcd_1992", "92"))

COLLISIONS = {
    # C-CAP: NOAA classification scheme, 0 to 2 read at corpora.tika.apache.org (621709.html), 11, 12, 21 and 22 in
    # public code lists. NLCD: mirror of the mrlc.gov legend.
    "11 open water, mixed forest": ("11", NLCD_11, Meaning("ccap", "Mixed Forest", ("nlcd", "43"))),
    "12 ice, shrub": (
        "12", Meaning("nlcd", "Perennial Ice/Snow", ("ccap", "25")), Meaning("ccap", "Scrub/Shrub", ("nlcd", "52")),
    ),
    "21 developed, open water": ("21", NLCD_21, CCAP_21),
    "22 developed, aquatic bed": ("22", NLCD_22, Meaning("ccap", "Palustrine Aquatic Bed", ("ccap", "23"))),
    # WorldCover: USEPA ATtILA2 wiki, LCC-Worldcover-2020-ALL
    "90 woody, herbaceous wetland": ("90", NLCD_90, Meaning("worldcover", "Herbaceous Wetland", ("nlcd", "95"))),
    "95 herbaceous wetland, mangroves": ("95", NLCD_95, Meaning("worldcover", "Mangroves", ("ccap", "16"))),
    # NLCD 1992: USGS landcover.usgs.gov/classes.php and mrlc.gov/nlcd92_leg.php
    "21 developed open space, low residential": (
        "21", NLCD_21, Meaning("nlcd_1992", "Low Intensity Residential", ("ccap", "4")),
    ),
    "22 developed low, high residential": (
        "22", NLCD_22, Meaning("nlcd_1992", "High Intensity Residential", ("ccap", "2")),
    ),
    # CDL: public code lists; 82 in the Earth Engine catalogue (USDA/NASS/CDL)
    "11 open water, tobacco": ("11", NLCD_11, Meaning("cdl", "Tobacco", ("cdl", "2"))),
    "12 ice, sweet corn": (
        "12", Meaning("nlcd", "Perennial Ice/Snow", ("ccap", "25")), Meaning("cdl", "Sweet Corn", ("cdl", "1")),
    ),
    "21 developed, barley": ("21", NLCD_21, Meaning("cdl", "Barley", ("cdl", "24"))),
    "21 open water, barley": ("21", CCAP_21, Meaning("cdl", "Barley", ("cdl", "24"))),
    "22 developed, durum wheat": ("22", NLCD_22, Meaning("cdl", "Durum Wheat", ("cdl", "24"))),
    "82 crops, developed": (
        "82", Meaning("nlcd", "Cultivated Crops", ("ccap", "6")), Meaning("cdl", "Developed", ("ccap", "2")),
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", COLLISIONS)
def test_a_code_means_what_its_own_legend_says(case):
    code, *meanings = COLLISIONS[case]
    found = [cover_class(one.scheme, code) for one in meanings]
    for meaning, one in zip(meanings, found, strict=True):
        twin = cover_class(*meaning.twin)
        assert one.name == meaning.name
        assert (one.score, one.water) == (twin.score, twin.water)
        if one.name not in WETLANDS:
            assert (one.water != "no") == (one.name in WATER)
    first, second = found
    assert (first.score, first.water, first.group) != (second.score, second.water, second.group)


@pytest.mark.parametrize(
    ("code", "twin", "lacks"),
    [
        # the woody and herbaceous wetlands of 1992 are 91 and 92, those of 2001 and later 90 and 95 (legends as above)
        ("91", ("nlcd", "90"), "nlcd_1992"),
        ("92", ("nlcd", "95"), "nlcd_1992"),
        ("90", ("nlcd_1992", "91"), "nlcd"),
        ("95", ("nlcd_1992", "92"), "nlcd"),
    ],
)
def test_wetland_codes_of_the_two_nlcd_legends_share_no_number(code, twin, lacks):
    scheme, other = (lacks, twin[0])
    one, same = cover_class(scheme, code), cover_class(*twin)
    assert one.name == same.name and one.score == same.score > 0 and one.water == same.water
    assert code not in codes_of(other)


# The CDL legend keeps NLCD's classes at 100 more. 111 and 121 to 124 read in public lists, the others read as copied in
# the Earth Engine catalogue (USDA/NASS/CDL).
NLCD_IN_CDL = {
    "11": "Open Water", "12": "Perennial Ice/Snow", "21": "Developed/Open Space", "22": "Developed/Low Intensity",
    "23": "Developed/Med Intensity", "24": "Developed/High Intensity", "31": "Barren", "41": "Deciduous Forest",
    "42": "Evergreen Forest", "43": "Mixed Forest", "52": "Shrubland", "90": "Woody Wetlands",
    "95": "Herbaceous Wetlands",
}  # fmt: skip


@pytest.mark.parametrize("code", NLCD_IN_CDL)
def test_cdl_keeps_nlcd_classes_at_a_hundred_more(code):
    nlcd, cdl = cover_class("nlcd", code), cover_class("cdl", str(int(code) + 100))
    assert cdl.name == NLCD_IN_CDL[code]
    assert (cdl.score, cdl.water) == (nlcd.score, nlcd.water)
    bare = [one for one in read_scheme("cdl", HERE).classes if one.code == code]
    assert all(one.name != nlcd.name for one in bare)
    if code in ("90", "95"):
        assert not bare  # a CDL file never has NLCD's wetland codes


# Mixed legend of NLCD with C-CAP's wetlands at 91 to 99, as in the land-cover table of the ADCIRC utility
# mannings_n_finder (unc.edu), read as copied in a public script. Scores: of the C-CAP classes of the same names.
MIXED = {
    "91": ("Palustrine Forested Wetland", "13"),
    "92": ("Palustrine Scrub/Shrub Wetland", "14"),
    "93": ("Estuarine Forested Wetland", "16"),
    "94": ("Estuarine Scrub/Shrub Wetland", "17"),
    "96": ("Palustrine Emergent Wetland", "15"),
    "97": ("Estuarine Emergent Wetland", "18"),
    "98": ("Palustrine Aquatic Bed", "22"),
    "99": ("Estuarine Aquatic Bed", "23"),
}


@pytest.mark.parametrize("code", MIXED)
def test_codes_of_the_mixed_legend_come_from_the_users_table_only(tmp_path, code):
    name, in_ccap = MIXED[code]
    twin = cover_class("ccap", in_ccap)
    assert twin.name == name
    (tmp_path / "mixed.csv").write_text(f"code,name,score\n{code},{name},{twin.score}\n", encoding="utf-8")
    mixed = cover_class("mixed.csv", code, tmp_path)
    assert (mixed.name, mixed.score) == (name, twin.score)
    in_others = {scheme for scheme in SHIPPED if code in codes_of(scheme)}
    # 91 and 92 are wetlands of another kind in NLCD 1992, and 92 is aquaculture in CDL.
    assert in_others == {"91": {"nlcd_1992"}, "92": {"nlcd_1992", "cdl"}}.get(code, set())
    for scheme in in_others:
        assert cover_class(scheme, code).name != name
    if code == "92":  # shrub swamp in the mixed legend, marsh in 1992
        assert mixed.score != cover_class("nlcd_1992", "92").score


@pytest.mark.parametrize("scheme", SHIPPED)
def test_a_file_in_the_mixed_legend_is_refused_as_any_shipped_one(tmp_path, scheme):
    codes = np.resize(np.array([11, 24, 41, 52, *map(int, MIXED)], np.uint8), (100, 100))
    write_raster(tmp_path / "cover.tif", codes)
    with pytest.raises(InputError) as caught:
        read_study(write_study(tmp_path, cover=f'path = "cover.tif"\nscheme = "{scheme}"'))
    told = str(caught.value)
    assert all(f"{code} (" in told for code in ("96", "97")), told  # ten codes are listed, then how many more
    assert "perhaps the file is" not in told  # no shipped legend has all of its codes: none is suggested


def test_values_alone_cannot_tell_the_legend_so_it_must_be_named(tmp_path):
    """11, 12, 21 and 22 stand in four legends: the same file has acres of water or of forest by what it is called."""
    four = [scheme for scheme in SHIPPED if {"11", "12", "21", "22"} <= codes_of(scheme)]
    assert four == ["nlcd", "nlcd_1992", "ccap", "cdl"]
    codes = np.full(classes().shape, 11, np.uint8)
    codes[:, 30:40], codes[:, 40:50], codes[:, 50:] = 12, 21, 22
    write_raster(tmp_path / "cover.tif", codes)
    with pytest.raises(AllocatorError, match="scheme"):
        read_study(write_study(tmp_path, cover='path = "cover.tif"'))
    units = {}
    for scheme in ("nlcd", "ccap"):
        plan = plan_traps(read_study(write_study(tmp_path, cover=f'path = "cover.tif"\nscheme = "{scheme}"')))
        names = dict(zip(plan.cover_acres["code"], plan.cover_acres["cover"], strict=True))
        assert names == {code: cover_class(scheme, code).name for code in ("11", "12", "21", "22")}
        units[scheme] = plan.totals.habitat_units_acres
    assert units["nlcd"] == 0 < units["ccap"]  # water, ice and town; shrub beside water


@pytest.mark.parametrize("scheme", SHIPPED)
def test_zero_is_background_and_never_scored(scheme):
    """0 as background: NOAA C-CAP legend; for the others public code lists."""
    assert math.isnan(cover_class(scheme, "0").score)
