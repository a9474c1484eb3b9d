"""S-expression netlists and schematics."""
