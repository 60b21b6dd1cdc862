"""Offers, prices, bills and investments."""
