"""What to do tonight: reads a site, builds the night, formulates, solves, replays, explains, writes."""
