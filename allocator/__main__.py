"""``python -m allocator``: the same as the command ``allocator``."""

from allocator.cli import main

main()
