"""Rasters over the network: only the parts that are needed are asked for."""

import re
from pathlib import PurePosixPath
from urllib.parse import urlsplit

import rasterio

from allocator.core.errors import InputError
from allocator.inputs.findings import input_name

SCHEMES = ("https", "http")
SUFFIXES = (".tif", ".tiff")
PREFIX = "/vsicurl/"
"""What the raster library reads over the network."""


def is_remote(path_text: str) -> bool:
    """Whether the path of an input is an address in the network.

    Parameters
    ----------
    path_text : str
        As in the study file.

    Returns
    -------
    bool
        Only for http and https.

    Examples
    --------
    >>> is_remote("https://example.org/cover.tif"), is_remote("C:/data/cover.tif")
    (True, False)
    """
    return urlsplit(path_text).scheme.casefold() in SCHEMES


def remote_dataset(address: str, role: str) -> tuple[PurePosixPath, str]:
    """How the raster library opens a raster over the network.

    Parameters
    ----------
    address : str
        Of a GeoTIFF.
    role : str
        Table of the study file, for messages.

    Returns
    -------
    path : PurePosixPath
        Its file name alone: an address may hold a key that is nobody's business.
    dataset : str
        For the library.

    Raises
    ------
    InputError
        Not a GeoTIFF.
    """
    path = PurePosixPath(urlsplit(address).path)
    if path.suffix.casefold() not in SUFFIXES:
        raise InputError(
            f"{input_name(role, path.name)}: only a GeoTIFF (.tif) is read over the network. Download the file and "
            "name its path."
        )
    return PurePosixPath(path.name), f"{PREFIX}{address}"


def without_keys(words: str) -> str:
    """A message of the raster library without what follows a question mark in addresses: it may be a key.

    Parameters
    ----------
    words : str
        The message.

    Returns
    -------
    str
        Fit to be shown and kept.

    Examples
    --------
    >>> without_keys("no such file: https://example.org/cover.tif?key=secret, gave up")
    'no such file: https://example.org/cover.tif, gave up'
    """
    return re.sub(r"\?[^\s'\",]*", "", words)


def network() -> rasterio.Env:
    """Settings of the raster library for reading over the network; use as a context.

    Returns
    -------
    rasterio.Env
        Nothing is looked for beside the file, waiting ends, a request that fails is made again.
    """
    return rasterio.Env(
        GDAL_DISABLE_READDIR_ON_OPEN="EMPTY_DIR", GDAL_HTTP_CONNECTTIMEOUT=15, GDAL_HTTP_TIMEOUT=120,
        GDAL_HTTP_MAX_RETRY=3, GDAL_HTTP_RETRY_DELAY=1,
    )  # fmt: skip
