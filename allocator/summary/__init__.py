"""6. The answer in the user's units: the tables that every output shows."""
