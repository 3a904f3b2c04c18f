"""The docs say what is true of the code: reference pages are made from it, and links lead somewhere."""

import importlib.util
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PAGES = sorted([*(ROOT / "docs").rglob("*.md"), ROOT / "README.md", ROOT / "DEVELOPERS.md"])


def _maker():
    spec = importlib.util.spec_from_file_location("make_reference", ROOT / "docs" / "make_reference.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("name", ["settings.md", "columns.md", "schemes.md", "commands.md"])
def test_reference_is_what_the_code_says(name: str) -> None:
    made = _maker().PAGES[name]()
    assert len(made) > 500
    assert (ROOT / "docs" / "reference" / name).read_text(encoding="utf-8") == made, "run docs/make_reference.py"


def test_every_default_is_in_the_reference() -> None:
    from allocator.core.settings import read_defaults

    text = (ROOT / "docs" / "reference" / "settings.md").read_text(encoding="utf-8")

    def names(table: dict, before: str):
        for key, part in table.items():
            if "value" in part:
                yield f"{before}{key}"
            else:
                yield from names(part, f"{before}{key}.")

    assert [name for name in names(read_defaults(), "") if f"`{name}`" not in text] == []


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.relative_to(ROOT).as_posix())
def test_links_lead_somewhere(page: Path) -> None:
    links = re.findall(r"\]\(([^)#\s]+)[^)]*\)", page.read_text(encoding="utf-8"))
    inside = [link for link in links if not re.match(r"[a-z]+:", link)]
    assert [link for link in inside if not (page.parent / link).exists()] == []
