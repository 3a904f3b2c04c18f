"""Words everybody uses: settings, study, plan, grid, units, errors. Imports nothing else of the project."""
