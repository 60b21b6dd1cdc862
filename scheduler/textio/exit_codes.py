"""Exit codes of the command; 0 is done."""

INPUT_AT_FAULT, TARGET_MISSED, NO_PLAN, REFUSED = 2, 3, 4, 5
OTHER_NUMBERS = 6
"""A sweep made again from its manifest came to other numbers."""
INTERRUPTED = 130
"""By the user, as shells count it: 128 and the number of SIGINT."""
