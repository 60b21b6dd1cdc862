"""Wear counted after the fact, and charger losses fitted."""
