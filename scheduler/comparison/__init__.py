"""Offers compared over a year, and whether the hardware pays."""
