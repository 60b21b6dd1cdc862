"""Arrays, clocks, calendars, windows of time and the bootstrap."""
