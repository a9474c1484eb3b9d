"""Supplies that begin at the mains: what a rectifier and its reservoir give at a load."""
