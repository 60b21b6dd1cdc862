"""Typer commands, options, progress and failures."""
