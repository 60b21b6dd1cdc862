"""Battery wear: segments, laws and counting."""
