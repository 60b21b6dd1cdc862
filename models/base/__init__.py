"""Array types, local clocks, holiday calendars, windows of time, and the bootstrap."""
