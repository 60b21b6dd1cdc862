"""Offers, tiered and market prices, demand charges, bills, and the case for the hardware."""
