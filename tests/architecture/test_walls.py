"""The walls of the house: one-way imports, no files opened in computation, everything documented, code in order."""

import ast
import inspect
import subprocess
import sys
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path

import pytest

import allocator

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "allocator"
COMPUTING = ("core", "grid", "habitat", "traps", "sites", "field", "summary")
MODULES = sorted(path for path in PACKAGE.rglob("*.py") if "data_demo" not in path.parts)
OPENS_FILES = {
    "open", "read_text", "write_text", "read_bytes", "write_bytes", "to_file", "read_file", "to_csv", "read_csv",
    "to_parquet", "read_parquet", "savetxt", "loadtxt", "unlink", "mkdir", "rename", "tofile", "fromfile",
}  # fmt: skip
ALLOWED_READS = {"core/settings/defaults.py": {"read_text"}}
"""defaults.toml and the profiles are part of the code, read as a resource of the package."""


def _tool(*command: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False)


def test_imports_go_one_way() -> None:
    code = "import sys; from importlinter.cli import lint_imports; sys.exit(lint_imports(no_cache=True))"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0 and "4 kept, 0 broken" in done.stdout, done.stdout + done.stderr


def test_types_hold() -> None:
    done = _tool("mypy", "--no-incremental")
    assert done.returncode == 0, done.stdout


def test_code_is_in_order() -> None:
    done = _tool("ruff", "check", "--no-cache", ".")
    assert done.returncode == 0, done.stdout
    done = _tool("ruff", "format", "--no-cache", "--check", ".")
    assert done.returncode == 0, done.stdout


def _imports(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield "." if node.level else str(node.module)


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_nothing_inside_imports_the_front_door(path: Path) -> None:
    names = set(_imports(ast.parse(path.read_text())))
    assert not names & {"allocator", "."}


def _calls(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            if isinstance(node.func, ast.Name):
                yield node.func.id
            elif isinstance(node.func, ast.Attribute):
                yield node.func.attr


def test_computation_opens_no_files() -> None:
    found = {}
    for path in [
        *(p for room in COMPUTING for p in (PACKAGE / room).rglob("*.py")),
        PACKAGE / "plan.py",
        PACKAGE / "explain.py",
    ]:
        name = path.relative_to(PACKAGE).as_posix()
        opened = set(_calls(ast.parse(path.read_text()))) & OPENS_FILES - ALLOWED_READS.get(name, set())
        if opened:
            found[name] = opened
    assert found == {}


def test_the_file_check_would_see_an_opened_file() -> None:
    assert set(_calls(ast.parse("from pathlib import Path\nPath('a').read_text()\nopen('b')"))) >= {"read_text", "open"}


def test_files_and_functions_stay_short() -> None:
    long = []
    for path in MODULES:
        text = path.read_text()
        if text.count("\n") > 400:
            long.append(path.name)
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.FunctionDef):
                first = node.body[1] if ast.get_docstring(node) and len(node.body) > 1 else node.body[0]
                if (node.end_lineno or 0) - first.lineno > 60:
                    long.append(f"{path.name}: {node.name}")
    assert long == []


def _public() -> Iterator[tuple[str, object]]:
    for path in MODULES:
        relative = path.relative_to(ROOT).with_suffix("")
        name = ".".join(relative.parts).removesuffix(".__init__")
        if name.endswith("__main__") or name == "allocator.cli":  # the command line documents itself by --help
            continue
        module = import_module(name)
        for key, thing in vars(module).items():
            is_own = getattr(thing, "__module__", None) == name
            if not key.startswith("_") and is_own and (inspect.isfunction(thing) or inspect.isclass(thing)):
                yield f"{name}.{key}", thing


@pytest.mark.parametrize("name", [name for name, _ in _public()])
def test_public_docstrings_are_complete(name: str) -> None:
    from numpydoc.validate import validate

    # GL08 no docstring; SS03 no full stop; PR01, PR02, PR03, PR10 parameters missing, unknown, out of order, unspaced;
    # RT01 no Returns; YD01 no Yields.
    wanted = {"GL08", "SS03", "PR01", "PR02", "PR03", "PR10", "RT01", "YD01"}
    found = [(code, text) for code, text in validate(name)["errors"] if code in wanted]
    thing = dict(_public())[name]
    if inspect.isclass(thing) and not hasattr(thing, "__dataclass_fields__"):
        # Settings document each field where it stands; errors take a message.
        found = [one for one in found if one[0] not in {"PR01", "PR02"}]
    assert found == []


def test_front_door_gives_what_it_names() -> None:
    assert sorted(allocator.__all__) == list(allocator.__all__)
    for name in allocator.__all__:
        assert getattr(allocator, name).__name__ == name
    with pytest.raises(AttributeError):
        allocator.nothing_of_the_kind  # noqa: B018


def test_importing_is_quiet_and_light() -> None:
    heavy = "('numpy', 'geopandas', 'rasterio', 'cv2')"
    code = f"import sys, allocator; print([name for name in {heavy} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert (done.stdout, done.stderr) == ("[]\n", "")


def test_every_default_has_value_unit_meaning_and_source() -> None:
    from allocator.core.settings import read_defaults

    def leaves(table: dict, name: str) -> Iterator[tuple[str, dict]]:
        for key, part in table.items():
            if "value" in part:
                yield f"{name}{key}", part
            else:
                yield from leaves(part, f"{name}{key}.")

    found = list(leaves(read_defaults(), ""))
    assert len(found) > 20
    for name, part in found:
        assert set(part) == {"value", "unit", "meaning", "source"}, name
        assert all(str(text).strip() for text in part.values()), name


def test_every_column_of_a_plan_is_documented_and_the_other_way_round() -> None:
    from allocator.outputs.columns import columns_of, table_names
    from allocator.outputs.tables import plan_tables

    plan = allocator.plan_traps(allocator.read_study(allocator.demo_study_file()))
    made = plan_tables(plan)
    assert sorted(made) == sorted(table_names())
    for table, frame in made.items():
        columns = columns_of(table)
        assert [one.column for one in columns] == [name for name in frame.columns if name != "geometry"]
        assert all(one.meaning.strip() and one.type.strip() for one in columns)


def test_top_level_holds_only_what_belongs_there() -> None:
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode:
        pytest.skip("not a git checkout")
    names = {line.split("/")[0] for line in listed.stdout.splitlines()}
    wanted = {"README.md", "DEVELOPERS.md", "pyproject.toml", "allocator", "notebooks", "data_demo", "tests", "docs"}
    assert {name for name in names if not name.startswith(".")} <= wanted
