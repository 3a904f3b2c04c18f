"""Trap designs, prices and further costs: what is read, and one clear message for everything that is wrong."""

import csv
import dataclasses
import hashlib
import io
import tempfile
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import allocator.inputs
from allocator.core.errors import SettingsError
from allocator.core.kit import ITEM_UNITS, CostLine, Design, KitInputs, Price
from allocator.core.study import InputRecord
from allocator.field.kit import kit_list
from allocator.inputs.kit_tables import read_kit
from tests.builders import DESIGN, law, make_settings

SHIPPED = Path(allocator.inputs.__file__).parent / "designs.csv"
SHIPPED_NAMES = "ring_3x16_5ft, ring_3x16_4ft, ring_4x16_5ft, ring_6x16_5ft, ring_5x20_5ft"
PRICES = "item,unit,unit_price_usd,date,source"
PRICES_ALL = "item,design,unit,unit_price_usd,date,source,weight_lb"
COSTS = "words,object_class,quantity,unit_cost_usd,kind,subaward"
DAY = "2026-09-01"
DOLLARS = "US dollars as a plain number up to 1,000,000,000, such as 75.00, or blank where not known"
A_DAY = "the day of the price as year-month-day, such as 2026-09-01"
ITEMS = ", ".join(ITEM_UNITS)
CLASSES = "personnel, fringe, travel, equipment, supplies, contractual, construction, other"
KINDS = "ordinary, subaward, rental, participant_support, tuition, scholarship, patient_care, capital"
OWN = {
    "name": "mine", "panels": "4", "panel_length_ft": "16", "panel_height_ft": "5", "mesh_wide_in": "2",
    "mesh_high_in": "4", "wire_gauge": "12.5", "overlap_ft": ".5", "door_ft": "3", "post_spacing_ft": "4",
    "post_length_ft": "6", "extra_posts": "2", "ties_per_overlap": "6", "bottom_ties": "2", "has_corners": "Yes",
    "ties_per_post": "3", "bottom_wire_turns": "1", "stakes": "8", "triggers": "1", "cameras": "2.0", "feeders": "1",
    "signs": "1", "gloves": "2", "eye_covers": "2", "bait_lb_per_night": "30",
}  # fmt: skip


def rows(*lines: str) -> str:
    return "\n".join(lines) + "\n"


def shown(text: str) -> str:
    return (f"'{text[:60]}...'" if len(text) > 60 else repr(text)) if text else "nothing"


def designs(*changes: dict[str, str]) -> str:
    """A table of own designs: each the one above with some cells changed."""
    made = [OWN | change for change in changes]
    return rows(",".join(OWN), *(",".join(one[column] for column in OWN) for one in made))


def kit_of(
    folder: Path, *, prices: str | bytes | None = None, own: str | bytes | None = None,
    costs: str | bytes | None = None, **equipment: Any,
) -> tuple[KitInputs, tuple[InputRecord, ...]]:  # fmt: skip
    """The kit of tables given as text."""
    sections: dict[str, dict[str, Any]] = {"equipment": equipment}
    for name, table, (section, key) in (
        ("prices.csv", prices, ("prices", "path")), ("designs.csv", own, ("equipment", "designs")),
        ("costs.csv", costs, ("grant", "other_costs")),
    ):  # fmt: skip
        if table is not None:
            (folder / name).write_bytes(table.encode() if isinstance(table, str) else table)
            sections.setdefault(section, {})[key] = name
    return read_kit(make_settings(**sections), folder)


def told(folder: Path, **tables: Any) -> list[str]:
    """Everything that is said against the tables."""
    with pytest.raises(SettingsError) as caught:
        kit_of(folder, **tables)
    return list(caught.value.messages)


def test_without_tables_the_shipped_design_has_no_prices_and_no_record(tmp_path):
    kit, records = kit_of(tmp_path)
    assert (kit.design_name, kit.prices, kit.weights_lb, kit.other_costs, records) == ("ring_3x16_5ft", {}, {}, (), ())
    assert kit.design == dataclasses.replace(DESIGN, ties_per_post=3, eye_covers=2)  # the builder leaves these out


def test_every_shipped_design_reads_as_its_row_says(tmp_path):
    with SHIPPED.open(encoding="utf-8", newline="") as stream:
        shipped = list(csv.DictReader(stream))
    assert len(shipped) == 5
    for row in shipped:
        kit, _ = kit_of(tmp_path, design=row["name"])
        for one in dataclasses.fields(Design):
            value = getattr(kit.design, one.name)
            assert type(value) is one.type
            assert value == ({"yes": True, "no": False}[row[one.name]] if one.type is bool else float(row[one.name]))
        assert row["source"]


def test_a_design_of_ones_own_beside_the_shipped_ones(tmp_path):
    kit, records = kit_of(tmp_path, own=designs({}), design="mine")
    assert kit.design == Design(
        panels=4, panel_length_ft=16, panel_height_ft=5, mesh_wide_in=2, mesh_high_in=4, wire_gauge=12.5,
        overlap_ft=0.5, door_ft=3, post_spacing_ft=4, post_length_ft=6, extra_posts=2, ties_per_overlap=6,
        bottom_ties=2, has_corners=True, ties_per_post=3, bottom_wire_turns=1, stakes=8, triggers=1, cameras=2,
        feeders=1, signs=1, gloves=2, eye_covers=2, bait_lb_per_night=30,
    )  # fmt: skip
    assert [(one.role, one.path_name, one.crs, one.features) for one in records] == [("designs", "designs.csv", "", 1)]
    assert kit_of(tmp_path, own=designs({}), design="ring_4x16_5ft")[0].design.overlap_ft == 1
    # one of the same name takes the place of the shipped one
    assert kit_of(tmp_path, own=designs({"name": "ring_3x16_5ft", "stakes": "9"}))[0].design.stakes == 9


def test_the_settings_panels_take_the_place_of_the_designs(tmp_path):
    kit, _ = kit_of(tmp_path, panels=7)
    assert kit.design.panels == 7 and dataclasses.replace(kit.design, panels=3) == kit_of(tmp_path)[0].design
    assert told(tmp_path, panels=10_001) == ["equipment.panels is 10001; expected at most 10,000."]
    assert told(tmp_path, panels=10**400)[0].startswith("equipment.panels is 1000")


def test_prices_are_exact_and_blank_is_not_zero(tmp_path):
    lines = f"panel,each,75.10,{DAY},q", "post,each,,,", f" tie , each , 0.1 , {DAY} , a b ", "door,each,0,2024-02-29,q"
    kit, _ = kit_of(tmp_path, prices=rows(PRICES, *lines))
    assert kit.prices == {
        "panel": Price("panel", Decimal("75.10"), "each", DAY, "q"),
        "tie": Price("tie", Decimal("0.1"), "each", DAY, "a b"),
        "door": Price("door", Decimal(0), "each", "2024-02-29", "q"),
    }
    assert sum(3 * [kit.prices["tie"].unit_price_usd]) == Decimal("0.3")


def test_every_item_has_its_unit(tmp_path):
    """The units of the kit list, which is written down apart from them; and bait and miles."""
    every = dataclasses.replace(
        DESIGN, bottom_wire_turns=1, stakes=1, triggers=1, cameras=1, feeders=1, signs=1, gloves=1, eye_covers=1
    )
    listed = {one.item: one.unit for one in kit_list(every, 1, 0.0)}
    assert listed | {"bait": "lb", "mile": "mile"} == ITEM_UNITS
    kit, _ = kit_of(tmp_path, prices=rows(PRICES, *(f"{item},{unit},1,{DAY},q" for item, unit in ITEM_UNITS.items())))
    assert {item: price.unit for item, price in kit.prices.items()} == ITEM_UNITS


@pytest.mark.parametrize("swapped", [False, True])
def test_a_row_for_the_design_wins_whatever_the_order(tmp_path, swapped):
    lines = [
        f"panel,,each,75,{DAY},all,62", f"panel,ring_3x16_4ft,each,35,{DAY},low,48", f"post,,each,8,{DAY},all,8",
        f"sign,ring_4x16_5ft,each,6,{DAY},other,1",
    ]  # fmt: skip
    table = rows(PRICES_ALL, *(reversed(lines) if swapped else lines))
    for design, price, source, weight in (("ring_3x16_5ft", 75, "all", 62), ("ring_3x16_4ft", 35, "low", 48)):
        kit, _ = kit_of(tmp_path, prices=table, design=design)
        assert {item: (one.unit_price_usd, one.source) for item, one in kit.prices.items()} == {
            "panel": (price, source), "post": (8, "all"),
        }  # fmt: skip
        assert kit.weights_lb == {"panel": weight, "post": 8}


def test_blanks_of_a_row_for_the_design_are_not_filled_from_another_kind_of_panel(tmp_path):
    lines = f"panel,,each,75,{DAY},all,62", "panel,ring_3x16_5ft,each,,,,48", f"post,,each,8,{DAY},all,8"
    lines += f"post,ring_3x16_5ft,each,9,{DAY},q,", "tie,,each,,,,0.05", "door,,each,,,,0"
    kit, _ = kit_of(tmp_path, prices=rows(PRICES_ALL, *lines))
    assert list(kit.prices) == ["post"] and kit.prices["post"].unit_price_usd == 9
    assert kit.weights_lb == {"panel": 48, "tie": 0.05, "door": 0}


def test_cost_lines(tmp_path):
    table = rows(COSTS, "Coordinator,personnel,9,4200.00,,", "Survey,contractual,1,60000,subaward,A-1",
                 '"Truck, rented",other,0.5,,rental,')  # fmt: skip
    assert kit_of(tmp_path, costs=table)[0].other_costs == (
        CostLine("Coordinator", "personnel", Decimal(9), Decimal("4200.00")),
        CostLine("Survey", "contractual", Decimal(1), Decimal(60000), "subaward", "A-1"),
        CostLine("Truck, rented", "other", Decimal("0.5"), None, "rental"),
    )
    short, _ = kit_of(tmp_path, costs=rows("words,object_class,quantity,unit_cost_usd", "a,travel,1,2"))
    assert short.other_costs == (CostLine("a", "travel", Decimal(1), Decimal(2)),)


def test_text_is_kept_as_typed(tmp_path):
    words = '=1+1 <b>&amp;</b> "x", 00123 ñ Ż\t;'
    quoted = '"' + words.replace('"', '""') + '"'
    kit, _ = kit_of(tmp_path, prices=rows(PRICES, f"panel,each,1,{DAY},{quoted}"),
                    costs=rows(COSTS, f"{quoted},other,1,1,subaward,{quoted}"))  # fmt: skip
    assert kit.prices["panel"].source == kit.other_costs[0].words == kit.other_costs[0].subaward_id == words


def test_records_of_all_files(tmp_path):
    tables = {"own": designs({}, {"name": "b"}), "prices": rows(PRICES, f"panel,each,1,{DAY},q", "", "post,each,,,"),
              "costs": rows(COSTS, "a,other,1,1,,")}  # fmt: skip
    _, records = kit_of(tmp_path, **tables)
    assert [(one.role, one.path_name, one.crs, one.features) for one in records] == [
        ("designs", "designs.csv", "", 2), ("prices", "prices.csv", "", 2), ("other_costs", "costs.csv", "", 1),
    ]  # fmt: skip
    hashes = [hashlib.sha256(tables[name].encode()).hexdigest() for name in ("own", "prices", "costs")]
    assert [one.sha256 for one in records] == hashes


@pytest.mark.parametrize("write", [str.encode, lambda text: text.encode("utf-8-sig")])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_a_byte_order_mark_and_either_end_of_line(tmp_path, write, end):
    table = rows(" Item ,UNIT,Unit_price_usd,date,source", f"panel,each,75,{DAY},q").replace("\n", end)
    assert kit_of(tmp_path, prices=write(table))[0].prices["panel"].unit_price_usd == 75


amounts = st.decimals(0, 10**9, places=None, allow_nan=False, allow_infinity=False).map(lambda one: f"{one:f}")
blanks = st.text(" \t", max_size=3)
texts = st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Zl", "Zp"]), min_size=1).filter(str.strip)


@law(100)
@given(
    amount=amounts, day=st.dates(date(1000, 1, 1)), source=texts, item=st.sampled_from(sorted(ITEM_UNITS)), pad=blanks,
    design=st.sampled_from(["", "ring_3x16_5ft"]), weight=st.none() | st.floats(0, 1e9).map(lambda one: f"{one:.9f}"),
)  # fmt: skip
def test_a_well_formed_price_row_reads_back_equal(amount, day, source, item, pad, design, weight):
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(PRICES_ALL.split(","))
    cells = [item, design, ITEM_UNITS[item], amount, day.isoformat(), source, weight or ""]
    writer.writerow([pad + cell + pad for cell in cells])
    with tempfile.TemporaryDirectory() as folder:
        kit, _ = kit_of(Path(folder), prices=text.getvalue())
    assert kit.prices == {item: Price(item, Decimal(amount), ITEM_UNITS[item], day.isoformat(), source.strip())}
    assert str(kit.prices[item].unit_price_usd) == str(Decimal(amount))  # not a digit lost
    assert kit.weights_lb == ({} if weight is None else {item: float(weight)})


def test_an_unknown_design_names_the_nearest_and_all(tmp_path):
    assert told(tmp_path, design="ring_3x16_5") == [
        f"equipment.design is 'ring_3x16_5'; expected one of {SHIPPED_NAMES}. Did you mean ring_3x16_5ft?"
    ]
    assert told(tmp_path, own=designs({}), design="zzz") == [
        f"equipment.design is 'zzz'; expected one of {SHIPPED_NAMES}, mine."
    ]


WHOLE = [one.name for one in dataclasses.fields(Design) if one.type is int]
AT_LEAST_ONE = ("panels", "ties_per_overlap")
MAY_BE_ZERO = ("overlap_ft", "door_ft", "bait_lb_per_night")
WRONG_MEASURES = [(column, "") for column in OWN if column not in ("name", "has_corners")]
WRONG_MEASURES += [(column, text) for column, _ in WRONG_MEASURES for text in ("-1", "nan", "1e400", "9" * 400, "x")]
WRONG_MEASURES += [(column, "2.5") for column in WHOLE] + [(column, "0") for column in AT_LEAST_ONE]
SIZES = [one.name for one in dataclasses.fields(Design) if one.type is float and one.name not in MAY_BE_ZERO]
WRONG_MEASURES += [(column, text) for column in SIZES for text in ("0", "0.0000001")]


@pytest.mark.parametrize(("column", "text"), WRONG_MEASURES)
def test_a_wrong_measure_of_a_design(tmp_path, column, text):
    (message,) = told(tmp_path, own=designs({}, {"name": "b", column: text}), design="b")
    least = "1" if column in AT_LEAST_ONE else "0" if column in (*WHOLE, *MAY_BE_ZERO) else "0.01"
    kind = "whole" if column in WHOLE else "plain"
    assert message == (
        f"equipment.designs (designs.csv), line 3, column {column}: found {shown(text)}; "
        f"expected a {kind} number from {least} to 10,000."
    )


@pytest.mark.parametrize("column", [*(one for one in WHOLE if one not in AT_LEAST_ONE), *MAY_BE_ZERO])
def test_measures_that_may_be_zero(tmp_path, column):
    assert getattr(kit_of(tmp_path, own=designs({column: "0"}), design="mine")[0].design, column) == 0


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"has_corners": "maybe"}, "column has_corners: found 'maybe'; expected yes or no."),
        ({"has_corners": ""}, "column has_corners: found nothing; expected yes or no."),
        ({"overlap_ft": "16"}, "column overlap_ft: found '16'; expected less than panel_length_ft, 16."),
        ({"overlap_ft": "17.5"}, "column overlap_ft: found '17.5'; expected less than panel_length_ft, 16."),
        ({"name": ""}, "column name: found nothing; expected a name that no other line has."),
        ({"name": "mine"}, "column name: found 'mine'; expected a name that no other line has."),
    ],
)
def test_other_faults_of_a_design(tmp_path, change, said):
    table = designs({}, {"name": "b"} | change)
    assert told(tmp_path, own=table, design="mine") == [f"equipment.designs (designs.csv), line 3, {said}"]


def test_a_fault_in_the_designs_raises_no_false_alarm_about_their_names(tmp_path):
    prices = rows(PRICES_ALL, f"panel,mine,each,1,{DAY},q,")
    (only,) = told(tmp_path, own=designs({"panels": "x"}), design="mine", prices=prices)
    (message,) = told(tmp_path, own="name,panels\nmine,3\n", design="mine", prices=prices)
    assert "column panels" in only and "column panel_length_ft, panel_height_ft" in message


WRONG_PRICES = [
    *((f'panel,,each,"{text}",{DAY},q,', f"unit_price_usd: found {text!r}; expected {DOLLARS}.")
      for text in ("12,50", "$35", "1.2.3", "l0", "nan", "-5", "-0", "inf", "1e400", "1000000000.01", "1_000", "١")),
    (f"panel,ring_3x16_4ft,each,l0,{DAY},q,", f"unit_price_usd: found 'l0'; expected {DOLLARS}."),
    (f"panl,,each,1,{DAY},q,", f"item: found 'panl'; expected one of {ITEMS} (did you mean panel?)."),
    (f",,each,1,{DAY},q,", f"item: found nothing; expected one of {ITEMS}."),
    (f"gloves,,each,1,{DAY},q,", "unit: found 'each'; expected pair, because gloves is priced by that."),
    (f"bottom_wire,,,1,{DAY},q,", "unit: found nothing; expected ft, because bottom_wire is priced by that."),
    (f"panel,ring_3x16_4f,each,1,{DAY},q,",
     f"design: found 'ring_3x16_4f'; expected one of {SHIPPED_NAMES} (did you mean ring_3x16_4ft?)."),
    *((f"panel,,each,1,{text},q,", f"date: found {shown(text)}; expected {A_DAY}.")
      for text in ("", "2026-02-29", "2026-13-01", "20260901", "2026-9-1", "9/1/2026", "2026-W36-2")),
    ("panel,,each,,2026-02-30,,", f"date: found '2026-02-30'; expected {A_DAY}."),
    (f"panel,,each,1,{DAY},,", "source: found nothing; expected who quoted the price."),
    *((f"panel,,each,,,,{text}", f"weight_lb: found '{text}'; expected pounds as a plain number up to 1,000,000,000, "
       "such as 62.5, or blank.") for text in ("x", "-1", "nan", "1e400", "1000000001")),
]  # fmt: skip


@pytest.mark.parametrize(("line", "said"), WRONG_PRICES)
def test_a_wrong_price_row(tmp_path, line, said):
    table = rows(PRICES_ALL, f"tie,,each,1,{DAY},q,", "", line)
    assert told(tmp_path, prices=table) == [f"prices.path (prices.csv), line 4, column {said}"]


def test_an_item_given_twice(tmp_path):
    good = f"panel,ring_3x16_4ft,each,1,{DAY},q,"
    table = rows(PRICES_ALL, good, f"panel,,each,1,{DAY},q,", f"panel,ring_4x16_5ft,each,1,{DAY},q,")
    kit_of(tmp_path, prices=table)
    assert told(tmp_path, prices=table + rows(good, f" panel ,,each,1,{DAY},q,")) == [
        "prices.path (prices.csv), line 5, column item: found 'panel'; expected an item that no other line has with "
        "design ring_3x16_4ft (line 2 has it).",
        "prices.path (prices.csv), line 6, column item: found 'panel'; expected an item that no other line has "
        "(line 3 has it).",
    ]


def test_a_slip_in_the_name_of_an_optional_column(tmp_path):
    table = rows("item,desgin,unit,unit_price_usd,date,source,notes", f"panel,ring_3x16_4ft,each,1,{DAY},q,")
    assert told(tmp_path, prices=table) == [
        "prices.path (prices.csv): column desgin is not known; the nearest is design. Rename it."
    ]
    table = rows("words,object_class,quantity,unit_cost_usd,kind,subawards", "a,other,1,2,,A")
    assert "column subawards is not known; the nearest is subaward" in told(tmp_path, costs=table)[0]


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (",other,1,1,,", "words: found nothing; expected what is paid for."),
        ("a,personel,1,1,,", f"object_class: found 'personel'; expected one of {CLASSES} (did you mean personnel?)."),
        ("a,,1,1,,", f"object_class: found nothing; expected one of {CLASSES}."),
        ("a,other,1,1,rentals,", f"kind: found 'rentals'; expected one of {KINDS} (did you mean rental?)."),
        ("a,other,1,1,subaward,",
         "subaward: found nothing; expected a name for the subaward, the same on all its lines."),
        ("a,other,1,1,,A",
         "subaward: found 'A'; expected nothing, because the kind is ordinary, or the kind subaward."),
        *((f"a,other,{text},1,,", f"quantity: found {shown(text)}; expected a plain number from 0 to 1,000,000,000, "
           "such as 8 or 0.30.") for text in ("", "-1", "x", "1e400")),
        *((f"a,other,1,{text},,", f"unit_cost_usd: found '{text}'; expected {DOLLARS}.")
          for text in ("-1", "$3", "nan", "1e400")),
    ],
)  # fmt: skip
def test_a_wrong_cost_line(tmp_path, line, said):
    table = rows(COSTS, "b,other,1,1,,", line)
    assert told(tmp_path, costs=table) == [f"grant.other_costs (costs.csv), line 3, column {said}"]


def test_everything_wrong_is_said_at_once(tmp_path):
    found = told(
        tmp_path, prices=rows(PRICES, "panl,each,$1,,q", f"post,ft,1,{DAY},"), own=designs({"panels": "0"}),
        costs=rows(COSTS, ",rent,1,1,,"), design="nowhere",
    )  # fmt: skip
    assert len(found) == 9 == len(set(found))
    assert "equipment.design is 'nowhere'" in found[0]
    assert [message.partition(", column")[0] for message in found[1:]] == [
        "equipment.designs (designs.csv), line 2",
        *3 * ["prices.path (prices.csv), line 2"], *2 * ["prices.path (prices.csv), line 3"],
        *2 * ["grant.other_costs (costs.csv), line 2"],
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("table", "said"),
    [
        (rows(PRICES.replace(",", ";"), f"panel;each;1;{DAY};q"), "Use commas between columns"),
        (rows(PRICES.replace(",", "\t"), f"panel\teach\t1\t{DAY}\tq"), "Use commas between columns"),
        (rows("item,unit,date,source", f"panel,each,{DAY},q"), "column unit_price_usd is missing"),
        (rows(PRICES), "no rows"),
        ("\n\n", "header line holds: nothing"),
        ("", "empty (0 bytes)"),
        (rows(PRICES, f"panel,each,12,50,{DAY},q"), "line 2: 6 values for 5 columns"),
        (rows(PRICES, f"panel,each,1,{DAY},ñ").encode("latin-1"), "not UTF-8"),
        (rows(PRICES, f"panel,each,1,{DAY},q").encode("utf-16"), "not UTF-8"),
    ],
)
def test_a_file_that_is_no_table(tmp_path, table, said):
    (message,) = told(tmp_path, prices=table)
    assert "prices.csv" in message and said in message


def test_paths_that_are_no_file(tmp_path):
    (tmp_path / "price.csv").write_text(rows(PRICES, f"panel,each,1,{DAY},q"), encoding="utf-8")
    (tmp_path / "tables.gdb").mkdir()
    for path, said in (
        ("prices.csv", "prices.path (prices.csv): the file prices.csv does not exist; the folder holds price.csv: is"),
        ("tables.gdb", "prices.path = 'tables.gdb' is a folder; name the CSV file in it."),
        (".", "prices.path = '.' is a folder; name the CSV file in it."),
        ("price.csv:sheet", "prices.path (price.csv): a CSV has no layers; write the path without :sheet."),
    ):
        with pytest.raises(SettingsError) as caught:
            read_kit(make_settings(prices={"path": path}), tmp_path)
        (message,) = caught.value.messages
        assert message.startswith(said)
