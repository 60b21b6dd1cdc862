"""Site, offer, series, trip and hardware files to records."""
