"""Meter files to load, solar and a recomputed bill."""
