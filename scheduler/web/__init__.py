"""The page for the evening: a small web server for the owner, on the same computer by default."""
