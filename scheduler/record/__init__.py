"""What was planned, what came of it: a site's record, a database in its folder."""
