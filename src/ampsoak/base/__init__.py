"""Ground floor: errors, sources and units. Imports nothing of ampsoak."""
