"""The page: a site's evenings, plans and record in a browser, from one process that this machine alone can reach."""
