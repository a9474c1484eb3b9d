"""Tube types on file: names, pins, limits, published rows and current laws."""
