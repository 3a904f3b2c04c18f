"""Notebooks run from top to bottom, and print what they show."""

from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

ROOT = Path(__file__).resolve().parents[2]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))


def _texts(notebook: nbformat.NotebookNode) -> list[str]:
    """What each cell prints and gives back, as text."""
    outputs = [output for cell in notebook.cells for output in cell.get("outputs", [])]
    return [output.get("text") or output["data"]["text/plain"] for output in outputs]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_shown_figures_are_those_of_a_run(path: Path) -> None:
    shown = nbformat.read(path, as_version=4)
    nbformat.validate(shown)
    fresh = nbformat.read(path, as_version=4)
    NotebookClient(
        fresh, timeout=300, kernel_name="python3", resources={"metadata": {"path": str(path.parent)}}
    ).execute()
    assert _texts(shown), "a notebook without any output shows nothing to its reader"
    assert _texts(fresh) == _texts(shown)


def test_there_is_a_notebook() -> None:
    assert NOTEBOOKS
