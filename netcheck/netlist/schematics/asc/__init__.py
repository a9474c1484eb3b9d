"""`.asc` schematics."""
