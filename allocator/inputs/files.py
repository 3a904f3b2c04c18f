"""Files named in the study file: where they are, what they hold inside a zip, their hash."""

import hashlib
from difflib import get_close_matches
from functools import lru_cache
from pathlib import Path

from allocator.core.errors import InputError
from allocator.inputs.findings import input_name
from allocator.inputs.guards import refuse_untrusted_text, safe_members
from allocator.inputs.remote import is_remote

READ_BYTES = 1 << 22


def split_layer(path_text: str, folder: Path) -> tuple[Path, str | None]:
    """The file and the layer of ``FILE`` or ``FILE:LAYER``.

    Parameters
    ----------
    path_text : str
        As in the study file.
    folder : Path
        Folder of the study file.

    Returns
    -------
    path : Path
        Absolute, or relative to where ``folder`` is.
    layer : str or None
        None where no layer is given; the colon after a drive letter is not one.
    """
    whole = Path(folder) / path_text
    head, colon, tail = path_text.rpartition(":")
    if whole.exists() or not colon or len(head) < 2 or not tail or "/" in tail or "\\" in tail:
        return whole, None
    return Path(folder) / head, tail


def find_file(path_text: str, role: str, folder: Path) -> tuple[Path, str | None]:
    """The existing, non-empty file (or .gdb folder) of an input, and its layer.

    Parameters
    ----------
    path_text : str
        ``FILE`` or ``FILE:LAYER``, relative to the folder.
    role : str
        Table of the study file, for messages.
    folder : Path
        Folder of the study file.

    Returns
    -------
    path : Path
        The file.
    layer : str or None
        The layer, where given.

    Raises
    ------
    InputError
        The file is missing, empty, or not to be trusted.
    """
    if is_remote(path_text):
        raise InputError(
            f"inputs.{role}: {path_text.split('?')[0][:60]!r} is an address in the network; only rasters (GeoTIFF) are "
            "read from there. Download the file and name its path."
        )
    try:
        path, layer = split_layer(path_text, folder)
        path.exists()
    except OSError as error:
        raise InputError(f"inputs.{role}: {path_text[:60]!r} cannot be a file name ({error.strerror}).") from None
    name = input_name(role, path.name)
    if not path.exists():
        siblings = [p.name for p in path.parent.iterdir()] if path.parent.is_dir() else []
        near = get_close_matches(path.name, siblings, 1, 0.6)
        hint = (
            f"the folder holds {near[0]}: is that the one?" if near else "check the path, relative to the study file."
        )
        raise InputError(f"{name}: the file {path_text} does not exist; {hint}")
    if path.is_dir():
        if path.suffix.casefold() != ".gdb":
            raise InputError(f"{name}: this is a folder; name the file in it (only a .gdb folder is read as one).")
    elif path.stat().st_size == 0:
        raise InputError(f"{name}: the file is empty (0 bytes), perhaps a failed copy. Copy it again.")
    refuse_untrusted_text(path, name)
    return path, layer


def zip_members(path: Path, name: str) -> list[str]:
    """Files inside a zip archive.

    Parameters
    ----------
    path : Path
        The archive.
    name : str
        Name of the input, for messages.

    Returns
    -------
    list of str
        Member names, folders and system leftovers left out.

    Raises
    ------
    InputError
        Not a zip that can be trusted.
    """
    return [member for member in safe_members(path, name) if not member.startswith("__MACOSX/")]


def sha256_of(path: Path) -> str:
    """Hash of a file's bytes, or of all files of a folder in the order of their names.

    Parameters
    ----------
    path : Path
        File or folder.

    Returns
    -------
    str
        64 hexadecimal digits.
    """
    status = path.stat()
    return _sha256(str(path), status.st_mtime_ns, status.st_size)


@lru_cache(maxsize=64)  # one GeoPackage often serves several roles
def _sha256(path_text: str, modified: int, size: int) -> str:
    path = Path(path_text)
    digest = hashlib.sha256()
    for part in sorted(p for p in path.rglob("*") if p.is_file()) if path.is_dir() else [path]:
        with part.open("rb") as stream:
            while chunk := stream.read(READ_BYTES):
                digest.update(chunk)
    return digest.hexdigest()
