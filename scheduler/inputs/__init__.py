"""Read site, offer, series, trip and hardware files into records."""
