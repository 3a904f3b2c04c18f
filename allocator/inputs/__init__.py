"""1. Files become a checked study."""
