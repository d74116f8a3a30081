"""All chargers together: cables, the catalogue, comparison, and choosing a charger for a set of devices."""
