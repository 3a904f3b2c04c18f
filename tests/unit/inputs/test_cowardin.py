"""Wetland codes read part by part; typing errors told with the likely code."""

import itertools
import time
from pathlib import Path

import geopandas as gpd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from allocator.inputs.cowardin import (
    CHEMISTRY,
    CLASSES,
    MODIFIERS,
    REGIMES,
    CowardinError,
    classes_of,
    combined_class,
    likely_code,
    read_code,
    water_kind,
)
from allocator.inputs.read_study import check_study, read_study
from allocator.inputs.schemes import read_scheme
from tests.builders import law
from tests.unit.inputs.small_inputs import ALBERS, NORTH, WEST, write, write_study

SCHEME = read_scheme("cowardin", Path())
TABLE = {one.code: one for one in SCHEME.classes}


@pytest.mark.parametrize(("text", "keys", "subclasses", "regime", "modifiers"), [
    # "PFO1A = palustrine forested broad-leaved deciduous temporarily flooded": FWS code table, lidarmag.com ?p=1690
    ("PFO1A", ("PFO",), ("1",), "A", ()),
    # "E2EM1Pd6 = estuarine intertidal emergent persistent, regime P, ditched, salinity 6": narrbay.org attribute doc
    ("E2EM1Pd6", ("E2EM",), ("1",), "P", ("d", "6")),
    # the rest worked by hand from the grammar; PUBFh and its like stand in the published table below
    ("PFO1/EM1C", ("PFO", "PEM"), ("1", "1"), "C", ()),
    ("PFO/SS1A", ("PFO", "PSS"), ("", "1"), "A", ()),
    ("PFO1/2C", ("PFO",), ("1", "2"), "C", ()),
    ("PUBHx", ("PUB",), ("",), "H", ("x",)),
    ("PEM1Cf", ("PEM",), ("1",), "C", ("f",)),
    ("PEM1/SS1Fh", ("PEM", "PSS"), ("1", "1"), "F", ("h",)),
    ("R4SBC", ("R4SB",), ("",), "C", ()),
    ("R2UB2Hx", ("R2UB",), ("2",), "H", ("x",)),
    ("L1UBHh", ("L1UB",), ("",), "H", ("h",)),
    ("L2USCh", ("L2US",), ("",), "C", ("h",)),
    ("E1UBL", ("E1UB",), ("",), "L", ()),
    ("PEM", ("PEM",), ("",), "", ()), ("L", ("L",), (), "", ()), ("E2", ("E2",), (), "", ()),
    ("Pf", ("P",), (), "", ("f",)),
])  # fmt: skip
def test_codes_in_their_parts(text, keys, subclasses, regime, modifiers):
    code = read_code(text)
    assert (code.keys, code.subclasses, code.regime, code.modifiers) == (keys, subclasses, regime, modifiers)


# Codes of real maps and what they mean. Source: table of NWI code definitions of the US FWS, read as copied in the
# public repository kaneap/cowardin-to-osm (NWI_Code_Definitions.csv), some 90 of about 6,000 rows, in short here:
# code; class names; regime; modifiers.
PUBLISHED = """
E1AB/UBLx; Estuarine, Subtidal, Aquatic Bed / Unconsolidated Bottom; Subtidal; Excavated
E1AB1L6; Estuarine, Subtidal, Aquatic Bed; Subtidal; Oligohaline
E1RF/AB3L; Estuarine, Subtidal, Reef / Aquatic Bed; Subtidal;
E1UB4Lx6; Estuarine, Subtidal, Unconsolidated Bottom; Subtidal; Excavated, Oligohaline
E1UBLr; Estuarine, Subtidal, Unconsolidated Bottom; Subtidal; Artificial Substrate
E2AB3Mg; Estuarine, Intertidal, Aquatic Bed; Irregularly Exposed; Organic
E2AB3/1M; Estuarine, Intertidal, Aquatic Bed; Irregularly Exposed;
E2EM1/5Pd6; Estuarine, Intertidal, Emergent; Irregularly Flooded; Partially Drained/Ditched, Oligohaline
E2EM1/FO3Nd; Estuarine, Intertidal, Emergent / Forested; Regularly Flooded; Partially Drained/Ditched
E2EM1/RSN; Estuarine, Intertidal, Emergent / Rocky Shore; Regularly Flooded;
E2US3/SS3P; Estuarine, Intertidal, Unconsolidated Shore / Scrub-Shrub; Irregularly Flooded;
E2US3Mx3; Estuarine, Intertidal, Unconsolidated Shore; Irregularly Exposed; Excavated, Mixohaline
E2USPs5; Estuarine, Intertidal, Unconsolidated Shore; Irregularly Flooded; Spoil, Mesohaline
L; Lacustrine; ;
Lh; Lacustrine; ; Diked/Impounded
Lx; Lacustrine; ; Excavated
L1AB3/4H; Lacustrine, Limnetic, Aquatic Bed; Permanently Flooded;
L1ABGm; Lacustrine, Limnetic, Aquatic Bed; Intermittently Exposed; Managed
L1RB1Hx; Lacustrine, Limnetic, Rock Bottom; Permanently Flooded; Excavated
L2EM2/ABK; Lacustrine, Littoral, Emergent / Aquatic Bed; Artificially Flooded;
L2EM2Kf; Lacustrine, Littoral, Emergent; Artificially Flooded; Farmed
L2EM2Fi; Lacustrine, Littoral, Emergent; Semipermanently Flooded; Alkaline
L2RSJ; Lacustrine, Littoral, Rocky Shore; Intermittently Flooded;
L2UB/EM2Fb; Lacustrine, Littoral, Unconsolidated Bottom / Emergent; Semipermanently Flooded; Beaver
L2UBHh3; Lacustrine, Littoral, Unconsolidated Bottom; Permanently Flooded; Diked/Impounded, Mixohaline
L2US; Lacustrine, Littoral, Unconsolidated Shore; ;
L2US2Qx; Lacustrine, Littoral, Unconsolidated Shore; Fresh Regularly Flooded; Excavated
L2USKx1; Lacustrine, Littoral, Unconsolidated Shore; Artificially Flooded; Excavated, Hyperhaline
M1AB3/RF1L; Marine, Subtidal, Aquatic Bed / Reef; Subtidal;
M1AB3L2; Marine, Subtidal, Aquatic Bed; Subtidal; Euthaline
M1UBL4; Marine, Subtidal, Unconsolidated Bottom; Subtidal; Polyhaline
M2RF1/USN; Marine, Intertidal, Reef / Unconsolidated Shore; Regularly Flooded;
M2RS1/ABM2; Marine, Intertidal, Rocky Shore / Aquatic Bed; Irregularly Exposed; Euthaline
M2RS2/1P; Marine, Intertidal, Rocky Shore; Irregularly Flooded;
PAB3/SS5Hb; Palustrine, Aquatic Bed / Scrub-Shrub; Permanently Flooded; Beaver
PAB3V; Palustrine, Aquatic Bed; Permanently Flooded-Tidal;
PAB4/EM1Kx; Palustrine, Aquatic Bed / Emergent; Artificially Flooded; Excavated
PAB4/UBHr; Palustrine, Aquatic Bed / Unconsolidated Bottom; Permanently Flooded; Artificial Substrate
PABFg; Palustrine, Aquatic Bed; Semipermanently Flooded; Organic
PABGf; Palustrine, Aquatic Bed; Intermittently Exposed; Farmed
PEM5/SS1Ks; Palustrine, Emergent / Scrub-Shrub; Artificially Flooded; Spoil
PEM5/USCh; Palustrine, Emergent / Unconsolidated Shore; Seasonally Flooded; Diked/Impounded
PEM5Bda; Palustrine, Emergent; Seasonally Saturated; Partially Drained/Ditched, Acid
PEM5Am; Palustrine, Emergent; Temporary Flooded; Managed
PEM5Td; Palustrine, Emergent; Semipermanently Flooded-Tidal; Partially Drained/Ditched
Pf; Palustrine; ; Farmed
PFO; Palustrine, Forested; ;
PFO/SSR; Palustrine, Forested / Scrub-Shrub; Seasonally Flooded-Tidal;
PFO/SSS; Palustrine, Forested / Scrub-Shrub; Temporary Flooded-Tidal;
PFO/SSBg; Palustrine, Forested / Scrub-Shrub; Seasonally Saturated; Organic
PFO/USA; Palustrine, Forested / Unconsolidated Shore; Temporary Flooded;
PFO1/2C; Palustrine, Forested; Seasonally Flooded;
PFO1/4Adn; Palustrine, Forested; Temporary Flooded; Partially Drained/Ditched, Mineral
PFO1/4Dg; Palustrine, Forested; Continuously Saturated; Organic
PFO4Ebg; Palustrine, Forested; Seasonally Flooded/Saturated; Beaver, Organic
PFO4Sd; Palustrine, Forested; Temporary Flooded-Tidal; Partially Drained/Ditched
PFO5/UB1Fh; Palustrine, Forested / Unconsolidated Bottom; Semipermanently Flooded; Diked/Impounded
PFO5Fba; Palustrine, Forested; Semipermanently Flooded; Beaver, Acid
PSS5/UBGh; Palustrine, Scrub-Shrub / Unconsolidated Bottom; Intermittently Exposed; Diked/Impounded
PSS6/7S; Palustrine, Scrub-Shrub; Temporary Flooded-Tidal;
PSS6Cf; Palustrine, Scrub-Shrub; Seasonally Flooded; Farmed
PSS7/EM5Eb; Palustrine, Scrub-Shrub / Emergent; Seasonally Flooded/Saturated; Beaver
PSS7B3; Palustrine, Scrub-Shrub; Seasonally Saturated; Mixohaline
PUS4Exa; Palustrine, Unconsolidated Shore; Seasonally Flooded/Saturated; Excavated, Acid
PUS5Jh; Palustrine, Unconsolidated Shore; Intermittently Flooded; Diked/Impounded
PUSCx1; Palustrine, Unconsolidated Shore; Seasonally Flooded; Excavated, Hyperhaline
PUSSh; Palustrine, Unconsolidated Shore; Temporary Flooded-Tidal; Diked/Impounded
R1AB/USQ; Riverine, Tidal, Aquatic Bed / Unconsolidated Shore; Fresh Regularly Flooded;
R1EM2Th; Riverine, Tidal, Emergent; Semipermanently Flooded-Tidal; Diked/Impounded
R1RS2Qr; Riverine, Tidal, Rocky Shore; Fresh Regularly Flooded; Artificial Substrate
R1SBQ; Riverine, Tidal, Streambed; Fresh Regularly Flooded;
R1UB/EM2V; Riverine, Tidal, Unconsolidated Bottom / Emergent; Permanently Flooded-Tidal;
R2AB2/4H; Riverine, Lower Perennial, Aquatic Bed; Permanently Flooded;
R2AB4Hf; Riverine, Lower Perennial, Aquatic Bed; Permanently Flooded; Farmed
R2US5J; Riverine, Lower Perennial, Unconsolidated Shore; Intermittently Flooded;
R2USCs; Riverine, Lower Perennial, Unconsolidated Shore; Seasonally Flooded; Spoil
R3RB1G; Riverine, Upper Perennial, Rock Bottom; Intermittently Exposed;
R3RSCr; Riverine, Upper Perennial, Rocky Shore; Seasonally Flooded; Artificial Substrate
R3US1Js; Riverine, Upper Perennial, Unconsolidated Shore; Intermittently Flooded; Spoil
R4SB7Jx; Riverine, Intermittent, Streambed; Intermittently Flooded; Excavated
R4SBAb; Riverine, Intermittent, Streambed; Temporary Flooded; Beaver
R4SBC; Riverine, Intermittent, Streambed; Seasonally Flooded;
R5EM2F; Riverine, Unknown Perennial, Emergent; Semipermanently Flooded;
R5RSC; Riverine, Unknown Perennial, Rocky Shore; Seasonally Flooded;
R5UBFx; Riverine, Unknown Perennial, Unconsolidated Bottom; Semipermanently Flooded; Excavated
""".strip().splitlines()
REGIME_NAMES = {
    "A": "Temporary Flooded", "B": "Seasonally Saturated", "C": "Seasonally Flooded", "D": "Continuously Saturated",
    "E": "Seasonally Flooded/Saturated", "F": "Semipermanently Flooded", "G": "Intermittently Exposed",
    "H": "Permanently Flooded", "J": "Intermittently Flooded", "K": "Artificially Flooded", "L": "Subtidal",
    "M": "Irregularly Exposed", "N": "Regularly Flooded", "P": "Irregularly Flooded", "Q": "Fresh Regularly Flooded",
    "R": "Seasonally Flooded-Tidal", "S": "Temporary Flooded-Tidal", "T": "Semipermanently Flooded-Tidal",
    "V": "Permanently Flooded-Tidal", "": "",
}  # fmt: skip
MODIFIER_NAMES = {
    "b": "Beaver", "d": "Partially Drained/Ditched", "f": "Farmed", "h": "Diked/Impounded", "m": "Managed",
    "r": "Artificial Substrate", "s": "Spoil", "x": "Excavated", "1": "Hyperhaline", "2": "Euthaline",
    "3": "Mixohaline", "4": "Polyhaline", "5": "Mesohaline", "6": "Oligohaline", "a": "Acid", "i": "Alkaline",
    "g": "Organic", "n": "Mineral",
}  # fmt: skip
"""Letters of the same published table."""


@pytest.mark.parametrize("row", PUBLISHED, ids=lambda row: row.partition(";")[0])
def test_real_codes_read_as_published(row):
    text, names, regime, modifiers = (part.strip() for part in row.split(";"))
    code = read_code(text)
    assert REGIME_NAMES[code.regime] == regime
    assert ", ".join(MODIFIER_NAMES[one] for one in code.modifiers) == modifiers
    if not code.classes:
        assert code.system == names[0] and code.keys == (names[0],)
        return
    assert " / ".join([TABLE[code.keys[0]].name, *[TABLE[key].name.split(", ")[-1] for key in code.keys[1:]]]) == names
    made = combined_class(code, TABLE)
    assert made.name.removesuffix(", seasonal") == ("Palustrine, Farmed" if "Farmed" in modifiers else names)
    # a file that is wholly in capitals or in small letters means the same
    assert read_code(text.upper()).keys == read_code(text.lower()).keys == code.keys
    assert read_code(text.lower()).is_farmed == code.is_farmed


codes = st.builds(
    lambda place, pick, digits, regime, tail: (place, pick, digits, regime, tail),
    st.sampled_from(sorted(CLASSES)), st.tuples(st.integers(0, 9), st.integers(0, 9), st.booleans()),
    st.tuples(st.sampled_from(["", "1", "2", "3", "4", "5"]), st.sampled_from(["", "1", "3"])),
    st.sampled_from(["", *REGIMES]),
    st.lists(st.sampled_from(MODIFIERS + CHEMISTRY), max_size=2, unique=True).map("".join),
)  # fmt: skip


def written(parts):
    """A code from the grammar, put together apart from the parser."""
    place, (first, second, is_split), (one, other), regime, tail = parts
    names = CLASSES[place].split()
    text = place + names[first % len(names)] + one
    if is_split:
        text += "/" + names[second % len(names)] + other
    # chemistry stands behind a regime: a digit behind a bare class would read as its subclass
    return text + regime + "".join(letter for letter in tail if regime or letter in MODIFIERS)


@law(300)
@given(codes)
def test_every_code_of_the_grammar_is_read_and_found_in_the_table(parts):
    text = written(parts)
    code = read_code(text)
    joined = code.system + code.subsystem
    joined += "/".join(a + b for a, b in zip(code.classes, code.subclasses, strict=True))
    assert joined + code.regime + "".join(code.modifiers) == text
    assert all(key in TABLE for key in code.keys)
    made = combined_class(code, TABLE)
    assert made.water == water_kind(code)
    rows = [TABLE["Pf"]] if code.is_farmed else [TABLE[key] for key in code.keys]
    assert made.score == pytest.approx(sum(row.score for row in rows) / len(rows))
    assert (made.group, made.shade) == (rows[0].group, rows[0].shade)


@law(300)
@given(codes, st.integers(0, 9), st.characters(min_codepoint=32, max_codepoint=255))
def test_a_slip_of_the_finger_is_read_or_refused_with_a_reason(parts, at, letter):
    text = written(parts)
    at %= len(text)
    for wrong in (
        text[:at] + letter + text[at + 1 :],
        text[:at] + text[at + 1 :],
        text[: at + 1] + letter + text[at + 1 :],
    ):
        try:
            read_code(wrong)
        except CowardinError as error:
            assert error.reason and error.likely == likely_code(wrong)
            assert error.likely is None or combined_class(read_code(error.likely), TABLE)


@pytest.mark.parametrize(("wrong", "right"), [
    ("PF01A", "PFO1A"), ("PFOIA", "PFO1A"), ("P1FO1A", "PFO1A"), ("PFO1 A", "PFO1A"), ("PFO-1A", "PFO1A"),
    ("PPFO1A", "PFO1A"), ("POF1A", "PFO1A"), ("Pfo1a", "PFO1A"), ("PEMlC", "PEM1C"), ("R2U8H", "R2UBH"),
    ("PF0IA", "PFO1A"), ("PFO1EM1C", "PFO1/EM1C"), ("PEM1Cff", "PEM1Cf"), ("PFO11A", "PFO1A"), ("PFQ1A", "PFO1A"),
    ("EEM1P", "E2EM1P"), ("PFO/1C", "PFO1C"), ("PFO12A", "PFO1/2A"), ("PFO1EM1", "PFO1/EM1"),
    ("PF01AD", "PFO1Ad"), ("pf01ad", "PFO1Ad"),
    # several would do, or none
    ("RUBH", None), ("PUK", None), ("PXX1A", None), ("lake", None), ("u", None), ("Freshwater Pond", None),
])  # fmt: skip
def test_the_likely_code(wrong, right):
    with pytest.raises(CowardinError) as caught:
        read_code(wrong)
    assert caught.value.likely == right


def test_whole_files_in_capitals_or_small_letters_are_read():
    assert read_code("PEM1CF") == read_code("PEM1Cf") == read_code("pem1cf")
    assert read_code("PUBHX") == read_code("PUBHx")
    assert read_code("pfo1/em1c") == read_code("PFO1/EM1C")
    assert read_code("PFO4EBG") == read_code("PFO4Ebg") and read_code("PFO4SS") == read_code("PFO4Ss")


@pytest.mark.parametrize(("text", "told"), [
    ("XFO1A", "expected a system"), ("", "expected a system"), ("P2EM", "P has no subsystem"),
    ("R9UB", "expected 1, 2, 3, 4, 5"), ("PQQ", "no class of P; expected one of RB, UB"), ("E3EM", "expected 1, 2"),
    ("RUBH", "a subsystem comes first"), ("PFO1/XX", "after the slash"),
    ("PFO1I", "'I' at character 5; expected a water regime"), ("PFO1/1A", "expected a class, or two subclasses"),
    ("PFO8A", "'8' at character 4"), ("PFO\u00b2A", "at character 4"), ("PEM1Cdd", "'d' a second time at character 7"),
    ("PFO1A?", "'?' at character 6; expected a special modifier"), ("PFO1g", "'g' at character 5"),
])  # fmt: skip
def test_reasons(text, told):
    with pytest.raises(CowardinError) as caught:
        read_code(text)
    assert told in caught.value.reason


@pytest.mark.parametrize(("text", "kind"), [
    ("PUBHx", "permanent"), ("PUBF", "permanent"), ("PUBCx", "seasonal"), ("PUBAh", "seasonal"), ("L1UBH", "permanent"),
    ("L2USCh", "seasonal"), ("L2USA", "no"), ("R2UBH", "permanent"), ("R4SBC", "seasonal"), ("R4SBA", "seasonal"),
    ("PFO1A", "wetland"), ("PEM1C", "wetland"), ("E2EM1P", "wetland"), ("PEM1Cf", "no"), ("Pf", "no"), ("E2USN", "no"),
    ("E1UBL", "permanent"), ("L", "permanent"), ("PUB", "permanent"), ("PUBKx", "permanent"), ("PABGb", "permanent"),
    ("PABJ", "seasonal"), ("PABE", "seasonal"), ("PUSJ", "no"), ("PUSE", "seasonal"), ("R5UBFx", "permanent"),
    # tidal fresh water: R is C's, S is A's, T is F's, V is H's (names in the published table above)
    ("PUBR", "seasonal"), ("PUBS", "seasonal"), ("PABT", "permanent"), ("R1UBV", "permanent"), ("R1UBQ", "permanent"),
    # older maps: W intermittent or temporary, Z exposed or permanent (wetland report, publicinfo.ci.orono.mn.us
    # doc/90794 page 40)
    ("PUBW", "seasonal"), ("PUBZ", "permanent"), ("POWZ", "permanent"),
    ("E2ABM", "permanent"), ("M2RFM", "no"), ("E2", "no"), ("R4", "seasonal"),
    ("PML1B", "wetland"), ("PUB/EM1C", "seasonal"),
])  # fmt: skip
def test_kind_of_water(text, kind):
    assert water_kind(read_code(text)) == kind


def test_mixed_and_farmed_ground():
    both = combined_class(read_code("PFO1/EM1C"), TABLE)
    assert both.code == "PFO/PEM" and both.name == "Palustrine, Forested / Emergent"
    assert both.score == pytest.approx((TABLE["PFO"].score + TABLE["PEM"].score) / 2)
    assert both.group == "woody_wetland" and [part.code for part in both.parts] == ["PFO", "PEM"]
    farmed = combined_class(read_code("PEM1Cf"), TABLE)
    assert farmed == TABLE["Pf"] and farmed.score <= 0.1 and farmed.group == "crop"
    assert combined_class(read_code("PFO1Ad"), TABLE) == combined_class(read_code("PFO4C"), TABLE) == TABLE["PFO"]
    pond = combined_class(read_code("PUBCx"), TABLE)
    assert (pond.code, pond.water, pond.score) == ("PUB seasonal", "seasonal", 0)


def test_the_kind_of_water_of_a_bare_code_is_that_of_its_row():
    rows = [one for one in SCHEME.classes if one.code != "U"]
    assert [combined_class(read_code(one.code), TABLE) for one in rows] == rows


@pytest.mark.parametrize(("text", "told"), [
    ("R", "names only the system R; expected 1, 2, 3, 4, 5"), ("P", "expected RB, UB"), ("Px", "only the system P"),
])  # fmt: skip
def test_codes_that_stop_before_any_row_are_faults_not_crashes(text, told):
    classes, positions, faults = classes_of([text, "L", "E2", "u"], SCHEME.classes)
    assert classes == SCHEME.classes and told in faults[text] and "probably" not in faults[text]
    assert [classes[positions[code]].code for code in ("L", "E2", "u")] == ["L", "E2", "U"]


def test_twenty_thousand_codes_take_under_two_seconds_right_or_wrong():
    heads = ("PFO", "PEM", "PSS", "PUB", "PAB")
    texts = [f"{head}{a}/{b}{c}{regime}{more}" for head, a, b, c, regime, more in itertools.product(
        heads, "1234567", ("EM", "SS", "FO"), "1234567", "ABCEF", ("", "d", "x", "h", "b", "g"),
    )]  # fmt: skip
    wrong = [f"PXQ{text[3:]}{text[1]}" for text in texts]
    assert len(set(texts)) == len(texts) > 20_000
    begun = time.perf_counter()
    classes, positions, faults = classes_of(texts[:20_000], SCHEME.classes)
    assert time.perf_counter() - begun < 2.0
    assert len(classes) <= 255 and len(positions) == 20_000 and not faults
    begun = time.perf_counter()
    _, positions, faults = classes_of(wrong[:20_000], SCHEME.classes)
    assert time.perf_counter() - begun < 2.0
    assert len(faults) == len(set(wrong[:20_000])) and not positions


def test_codes_that_differ_in_nothing_that_counts_share_a_class():
    texts = [
        f"{key}{one}{'/' + other if other else ''}{regime}{more}"
        for key, one, other, regime, more in itertools.product(
            ("PFO", "PEM", "PSS", "PUB", "PAB"),
            ("", "1", "3"), ("", "EM1", "SS1", "FO4"), "ABCFHK", ("", "d", "x", "h"),
        )
    ]  # fmt: skip
    texts = list(dict.fromkeys(texts + [f"R{n}UB{m}H{x}" for n in "123" for m in "1234" for x in MODIFIERS]))
    assert len(texts) > 1400
    classes, positions, faults = classes_of(texts, SCHEME.classes)
    assert len(positions) == len(texts) and not faults
    # PFO, PEM and PSS each with the two others; PUB and PAB with three, wet all year or a season, and a season alone
    assert len(classes) - len(SCHEME.classes) == 3 * 2 + 2 * (3 * 2 + 1)


def wetlands(folder, codes):
    shapes = [shapely.box(WEST + 600 * at, NORTH - 2400, WEST + 600 * (at + 1), NORTH) for at in range(len(codes))]
    write(gpd.GeoDataFrame({"ATTRIBUTE": codes}, geometry=shapes, crs=ALBERS), folder / "wet.gpkg")
    return write_study(folder, cover='path = "wet.gpkg"\nscheme = "cowardin"\nclass_field = "ATTRIBUTE"')


def test_a_file_of_wetlands_with_mixed_and_farmed_codes(tmp_path):
    study = read_study(wetlands(tmp_path, ["PFO1/EM1C", "PEM1Cf", "PUBHx", "U"]))
    found = [study.classes[at].code for at in study.cover.class_positions]
    assert found == ["PFO/PEM", "Pf", "PUB", "U"]
    assert study.water_kinds == {"permanent", "wetland"}
    changed = read_study(tmp_path / "study.toml", ["habitat.cover.PEM=0.3"])
    at = changed.cover.class_positions[0]
    assert changed.planned.scores[at] == pytest.approx((1.0 + 0.3) / 2)


def test_typing_errors_are_told_by_record_with_the_likely_code(tmp_path):
    path = wetlands(tmp_path, ["PFO1A", "PF01A", "PUBHx", "nonsense"])
    (error,) = [one.message for one in check_study(path) if one.severity == "error"]
    assert "record 2: PF01A has 'F0' at character 2, which is no class of P; expected one of RB" in error
    assert "probably PFO1A" in error and "record 4: nonsense" in error and "record 1" not in error
    study = read_study(path, ['inputs.land_cover.unknown_codes="blank"'])
    assert study.cover.class_positions.tolist().count(255) == 2
    assert any("probably PFO1A" in one.message for one in study.problems if one.severity == "warning")
