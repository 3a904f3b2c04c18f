"""A new study folder: a study file with comments, and a folder for the inputs."""

from importlib import resources
from pathlib import Path

from allocator.core.errors import OutputError


def write_starter(folder: Path) -> Path:
    """Write ``study.toml`` and an empty ``inputs/`` into a folder.

    Parameters
    ----------
    folder : pathlib.Path
        New, or existing without a ``study.toml``.

    Returns
    -------
    pathlib.Path
        The study file.

    Raises
    ------
    OutputError
        A study file is there already, or the folder cannot be written.
    """
    path = folder / "study.toml"
    if path.exists():
        raise OutputError(f"{path} is there already and was left as it is. Name another folder, or edit that file.")
    template = (resources.files("allocator.outputs") / "templates" / "study.toml").read_text(encoding="utf-8")
    try:
        (folder / "inputs").mkdir(parents=True, exist_ok=True)
        path.write_text(template, encoding="utf-8")
    except OSError as error:
        raise OutputError(
            f"{folder} cannot be written: {error.strerror}. Name a folder that you may write to."
        ) from None
    return path
