"""Tonight's request to the numbers of one problem."""
