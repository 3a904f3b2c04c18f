"""The docs say what is true of the code: reference pages are made from it, recipes run, links lead somewhere."""

import importlib.util
import re
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
import typer

import allocator
from allocator.cli import app
from allocator.core.cautions import CAUTIONS, HEADLINE
from allocator.core.results import Plan
from allocator.core.settings import Settings, default_values

ROOT = Path(__file__).resolve().parents[2]
DOCS = ROOT / "docs"
PAGES = sorted(
    [*DOCS.rglob("*.md"), *(ROOT / name for name in ("README.md", "DEVELOPERS.md") if (ROOT / name).exists())]
)
REFERENCE = ("settings.md", "columns.md", "designs.md", "schemes.md", "profiles.md", "commands.md")


def _name(page: Path) -> str:
    return page.relative_to(ROOT).as_posix()


def _text(name: str) -> str:
    return (DOCS / name).read_text(encoding="utf-8")


def _blocks(text: str, language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", text, flags=re.DOTALL | re.MULTILINE)


@pytest.fixture(scope="module")
def maker() -> ModuleType:
    """The script that writes the reference."""
    spec = importlib.util.spec_from_file_location("make_reference", DOCS / "make_reference.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    # Its dataclasses look their own module up by name.
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(sys.modules, spec.name, module)
        spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def demo() -> Plan:
    """The plan that the tutorial shows."""
    return allocator.plan_traps(allocator.read_study(allocator.demo_study_file()))


@pytest.mark.parametrize("name", REFERENCE)
def test_reference_is_what_the_code_says(name: str, maker: ModuleType) -> None:
    assert set(maker.PAGES) == set(REFERENCE)
    made = maker.PAGES[name]()
    assert len(made) > 500
    assert _text(f"reference/{name}") == made, "run docs/make_reference.py"


def _schema_names(part: dict[str, Any], schema: dict[str, Any], before: str = "") -> Iterator[str]:
    """Dotted names of all settings in the JSON Schema: another way to find them than the script's."""
    for key, field in part["properties"].items():
        refs = [one["$ref"] for one in (field, *field.get("anyOf", ()), *field.get("allOf", ())) if "$ref" in one]
        if refs:
            yield from _schema_names(schema["$defs"][refs[0].rpartition("/")[2]], schema, f"{before}{key}.")
        else:
            yield f"{before}{key}"


def test_every_setting_is_in_the_reference() -> None:
    schema = Settings.model_json_schema()
    names = list(_schema_names(schema, schema))
    assert len(names) > 50
    text = _text("reference/settings.md")
    assert [name for name in names if f"| `{name}` |" not in text] == []


def test_every_command_and_option_is_in_the_reference() -> None:
    group: Any = typer.main.get_command(app)
    text = _text("reference/commands.md")
    parts = dict(
        zip(re.findall(r"^## (?:allocator )?(.+)$", text, flags=re.MULTILINE), text.split("\n## ")[1:], strict=True)
    )
    assert set(group.commands) == set(parts) - {"Any command"}
    missing = [
        (name, option)
        for name, command in (*group.commands.items(), ("Any command", group))
        for one in command.params
        for option in one.opts
        if option.startswith("-") and option not in parts[name]
    ]
    assert missing == []


@pytest.mark.parametrize("page", PAGES, ids=_name)
def test_links_lead_somewhere(page: Path) -> None:
    links = re.findall(r"\]\(([^)#\s]+)[^)]*\)", page.read_text(encoding="utf-8"))
    inside = [link for link in links if not re.match(r"[a-z]+:", link)]
    assert [link for link in inside if not (page.parent / link).exists()] == []


def test_every_page_is_in_the_index() -> None:
    linked = set(re.findall(r"\]\(([^)#\s]+)", _text("index.md")))
    pages = {page.relative_to(DOCS).as_posix() for page in DOCS.rglob("*.md")} - {"index.md"}
    assert pages - linked == set()


@pytest.mark.parametrize("page", PAGES, ids=_name)
def test_commands_named_exist(page: Path) -> None:
    group: Any = typer.main.get_command(app)
    text = page.read_text(encoding="utf-8")
    named = re.findall(r"^(?:\$ )?allocator ([a-z]+)", text, flags=re.MULTILINE) + re.findall(
        r"`allocator ([a-z]+)", text
    )
    assert set(named) <= set(group.commands)


def _merged(below: dict[str, Any], above: dict[str, Any]) -> dict[str, Any]:
    both = dict(below)
    for key, value in above.items():
        under = both.get(key)
        both[key] = _merged(under, value) if isinstance(value, dict) and isinstance(under, dict) else value
    return both


@pytest.mark.parametrize(
    "page", [page for page in PAGES if _blocks(page.read_text(encoding="utf-8"), "toml")], ids=_name
)
def test_study_file_recipes_are_valid(page: Path) -> None:
    required = {
        "study": {"name": "a"},
        "inputs": {"properties": {"path": "a"}, "land_cover": {"path": "b", "scheme": "nlcd"}},
    }
    for block in _blocks(page.read_text(encoding="utf-8"), "toml"):
        recipe = tomllib.loads(block)
        assert recipe and Settings.model_validate(_merged(_merged(default_values(), required), recipe))


def test_python_recipes_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    names: dict[str, Any] = {}
    blocks = _blocks(_text("how_to.md"), "python")
    for block in blocks:
        exec(compile(block, "how_to.md", "exec"), names)
    assert len(blocks) >= 2 and names["plan"].totals.traps > 0


def test_tutorial_prints_what_the_tool_prints(demo: Plan, monkeypatch: pytest.MonkeyPatch) -> None:
    from allocator.outputs.plan_words import plan_words

    printed = [line for line in plan_words(demo, Path("demo_plan")).splitlines() if line.strip()]
    text = _text("tutorial.md")
    assert [line for line in printed if line not in text] == []


def test_tutorial_explains_its_own_figures(demo: Plan) -> None:
    text = " ".join(_text("tutorial.md").split())
    largest = demo.complexes.iloc[int(demo.complexes["traps"].argmax())]
    short = demo.properties[demo.properties["shortfall"] > 0].iloc[0]
    for words in (
        f"{largest['habitat_acres']:,.0f} acres",
        f"{largest['enrolled_habitat_acres']:,.0f} acres",
        f"{largest['traps_exact']:.2f}",
        f"{largest['served_percent']:.0f} %",
        str(short["name"]),
        str(short["shortfall_reason"]),
    ):
        assert words in text


def test_cautions_stand_where_a_plan_is_explained() -> None:
    words = " ".join(_text("explanation/what_it_does_not_know.md").split())
    assert [one for one in (HEADLINE, *CAUTIONS) if one not in words] == []
    for name in ("tutorial.md", "explanation/model.md"):
        assert "Local law and licensed practice come first" in _text(name)


def test_worked_example_is_what_the_code_computes() -> None:
    from allocator.traps.need import traps_needed
    from allocator.traps.sharing import share

    text = _text("explanation/model.md")
    acres = [410, 250, 140]
    whole = traps_needed(sum(acres) / 300, "nearest", is_large_enough=True)
    shares = share(whole, acres)
    assert f"**{', '.join(map(str, shares))}**" in text
    alone = [traps_needed(one / 300, "nearest", is_large_enough=True) for one in acres]
    assert f"= {', '.join(map(str, alone))}" in text


def test_scores_of_the_model_page_are_what_the_code_computes() -> None:
    import numpy as np

    from allocator.habitat.score import Component, curve_index, score_cells, whole_score

    curves, text = default_values()["habitat"]["curves"], _text("explanation/model.md")

    def score(cover: float, distance_m: Any, height_m: float | None) -> Any:
        parts = [Component("cover", 2, np.array([cover]))]
        parts.append(Component("water", 1, curve_index(np.array(distance_m, float), curves["water_m"])))
        if height_m is not None:
            parts.append(Component("lowland", 1, curve_index(np.array([height_m]), curves["lowland_m"])))
        return whole_score(score_cells(parts))

    assert "= 0.5117. Habitat." in text and score(0.35, [590], 3).tolist() == [5117]
    assert "= 0.4409. Not" in text and score(0.35, [590], None).tolist() == [4409]
    rows = re.findall(r"^\| (\d\.\d+) \| [^|]+ \| (.+) \|$", text, flags=re.MULTILINE)
    assert len(rows) == 8
    for cover, row in rows:
        best, *limits = (part.strip() for part in row.split("|"))
        assert best == f"{int(score(float(cover), [0], 0)[0]) // 10 / 1000:.3f}"
        for words, height in zip(limits, (2.0, 6.0, None), strict=True):
            far = np.flatnonzero(score(float(cover), np.arange(1501), height) >= 5000)
            assert words == (f"{far[-1]:,} m" if len(far) else "never")
