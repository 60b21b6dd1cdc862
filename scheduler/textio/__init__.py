"""Text files in; one-line errors and all-or-nothing writes out."""
