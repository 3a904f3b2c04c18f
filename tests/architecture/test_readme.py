"""The README's words are true: its Python runs, its commands exist, its figures are the demo's."""

import re
from pathlib import Path

import allocator

README = (Path(__file__).resolve().parents[2] / "README.md").read_text(encoding="utf-8")


def _blocks(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", README, flags=re.DOTALL)


def test_python_of_the_readme_runs(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    (code,) = _blocks("python")
    names: dict[str, object] = {}
    exec(compile(code, "README.md", "exec"), names)
    assert names["plan"].totals.traps > 0
    assert (tmp_path / "out" / "map.html").is_file()


def test_printed_figures_are_those_of_the_demo() -> None:
    totals = allocator.plan_traps(allocator.read_study(allocator.demo_study_file())).totals
    for text in (
        f"{totals.properties} properties, {totals.area_acres:,.0f} acres",
        f"{totals.habitat_acres:,.1f} acres of habitat, {totals.enrolled_habitat_acres:,.1f} on enrolled land",
        f"{totals.traps_exact:.2f} traps by the rule, {totals.traps} in whole traps",
        f"{totals.sites} sites chosen",
    ):
        assert text in README


def test_job_in_one_paragraph_then_two_commands() -> None:
    first, demo, tests = README.index("\n\n"), README.index("allocator demo"), README.index("-m pytest")
    assert first < demo < tests
    assert len(_blocks("sh")) >= 2
