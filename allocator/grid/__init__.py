"""2. Land becomes cells: shares of properties, distance to water, height above it."""
