"""Ratings of ordinary parts, rating systems and mains bands: data with sources."""
