"""Read text files, report faults on one line each, write files whole or not at all."""
