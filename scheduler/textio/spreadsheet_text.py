"""Text that a spreadsheet must not take for a formula.

A program that opens a CSV file may run a cell that begins with one of a few signs. OWASP's page on CSV injection (from
memory) names them, and the remedy used here: an apostrophe before the text, which the program leaves out when it shows
the cell. Numbers in columns of numbers are no text and stay as they are.
"""

from __future__ import annotations

BEGINS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r")
APOSTROPHE = "'"


def as_text(text: str) -> str:
    """Return text for a cell of a CSV file, with an apostrophe where it would begin a formula; "-" alone is none.

    Examples
    --------
    >>> as_text("=1+1"), as_text("Day and night"), as_text("-")
    ("'=1+1", 'Day and night', '-')
    """
    return f"{APOSTROPHE}{text}" if text.startswith(BEGINS_A_FORMULA) and text != "-" else text


def text_of_cell(cell: str) -> str:
    """Return the text of a cell that `as_text` wrote.

    Examples
    --------
    >>> text_of_cell("'=1+1"), text_of_cell("'tis")
    ('=1+1', "'tis")
    """
    return cell[1:] if cell.startswith(APOSTROPHE) and cell[1:].startswith(BEGINS_A_FORMULA) else cell
