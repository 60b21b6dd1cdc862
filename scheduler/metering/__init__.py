"""Turn meter files into load and solar of a site, or into a bill."""
