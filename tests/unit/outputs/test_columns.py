"""The data dictionary, and the door that refuses what it does not document."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from allocator.outputs.columns import Column, check_table, columns_of, documented_values, read_columns, table_names
from allocator.outputs.tables import plan_tables
from tests.unit.outputs.plan_builder import make_plan


def test_every_column_has_a_meaning_and_a_plain_name() -> None:
    assert all(column.meaning for column in read_columns())
    assert all(column.column.isidentifier() and column.column.islower() for column in read_columns())


def test_acres_and_percent_columns_say_their_unit() -> None:
    for column in read_columns():
        assert column.unit == "acres" or not column.column.endswith("_acres")
        assert column.unit == "percent" or not column.column.endswith("_percent")
        assert column.unit == "m" or not column.column.endswith("_m")


def test_title_and_description_carry_the_unit() -> None:
    column = Column("properties", "area_acres", "number", "acres", "area of the property")
    assert column.title == "Area acres (acres)"
    assert column.description == "area of the property; unit: acres"


def test_tables_stand_in_the_order_of_the_outputs() -> None:
    assert table_names()[:3] == ("properties", "habitat", "complexes")
    assert table_names()[-1] == "cautions"


def test_every_table_of_a_plan_is_documented() -> None:
    for sites in (0, 2):
        for name, frame in plan_tables(make_plan(sites)).items():
            check_table(name, frame)


def test_an_undocumented_column_is_refused_by_name() -> None:
    frame = make_plan().habitat.assign(owner="somebody")
    with pytest.raises(ValueError, match=r"table habitat .* undocumented: owner"):
        check_table("habitat", frame)


def test_a_missing_column_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="missing: mean_score"):
        check_table("habitat", make_plan().habitat.drop(columns="mean_score"))


def test_a_column_that_is_there_twice_is_refused() -> None:
    frame = pd.DataFrame([["a", "b"]], columns=["caution", "caution"])
    with pytest.raises(ValueError, match="there twice: caution"):
        check_table("cautions", frame)


def test_a_column_that_only_claims_to_be_geometry_is_undocumented() -> None:
    with pytest.raises(ValueError, match="undocumented: geometry"):
        check_table("cautions", pd.DataFrame({"caution": ["a"], "geometry": ["b"]}))


def test_an_unknown_table_is_refused() -> None:
    with pytest.raises(ValueError, match="no table 'owners'"):
        columns_of("owners")


def test_values_come_in_documented_order_and_type() -> None:
    frame = make_plan().properties
    values = documented_values("properties", frame[list(reversed(frame.columns))])
    assert list(values.columns) == [column.column for column in columns_of("properties")]
    assert not isinstance(values, gpd.GeoDataFrame)
    assert values["traps"].dtype == "Int64"
    assert values["area_acres"].dtype == np.float64
    assert values["property_id"].tolist() == ["00123", "00124", "7"]


def test_yes_and_no_are_words_whether_given_as_words_or_claims() -> None:
    candidates = make_plan().candidates
    assert documented_values("candidates", candidates)["is_chosen"].tolist() == ["yes", "yes"]
    words = candidates.assign(is_chosen=["no", None])
    assert documented_values("candidates", words)["is_chosen"].tolist() == ["no", None]


@pytest.mark.parametrize(
    ("column", "values"),
    [
        ("property_id", [123, 124, 7]),
        ("name", ["a", 2, "c"]),
        ("enrolled", ["yes", "maybe", "no"]),
        ("traps", [1.5, 0.0, 0.0]),
        ("area_acres", ["1", "two", "3"]),
    ],
)
def test_values_of_another_type_are_refused(column: str, values: list[object]) -> None:
    frame = make_plan().properties.assign(**{column: pd.Series(values, dtype=object)})
    with pytest.raises(ValueError, match=f"properties.{column} does not hold"):
        documented_values("properties", frame)


def test_blank_is_not_zero() -> None:
    frame = make_plan().properties.assign(traps=[1.0, np.nan, 0.0], name=["a", None, "c"])
    values = documented_values("properties", frame)
    assert values["traps"].isna().tolist() == [False, True, False]
    assert values["name"].tolist() == ["a", None, "c"]
    assert np.isnan(values["blank_percent"][2])
