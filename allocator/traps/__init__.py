"""4. Habitat becomes a number of traps."""
