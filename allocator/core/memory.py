"""Memory that the C library keeps for itself after it was freed."""

import ctypes
from contextlib import suppress


def hand_back() -> None:
    """Hand freed memory back to the system.

    Notes
    -----
    After work in tiles hundreds of megabytes lie free between what was kept, and glibc leaves them so until it is told
    (malloc_trim(3)). Elsewhere nothing happens.
    """
    with suppress(OSError, AttributeError, TypeError):  # no C library to load, or one without the call
        ctypes.CDLL(None).malloc_trim(0)
