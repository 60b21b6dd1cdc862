"""Words for the page: no path of this machine in them, and the page's own names in place of the commands' options."""

from __future__ import annotations

import re
import tempfile
from pathlib import Path

FIELD_NAMES = {
    "--highest-soc-today": "“Highest today”",
    "--soc": "“State of charge”",
    "--home-at": "“Away until”",
    "--trip": "a trip",
    "--outside-degc": "“Outside”",
    "--stay-home": "no trip",
    "--offer": "the offer",
    "--now": "the time",
}
"""What the page calls that which an option gives."""
COMMANDS = {"overnight replan": "“Things changed”", "overnight plan": "“Plan tonight”"}
_ABSOLUTE = re.compile(r"(?<![\w./:])(?:[A-Za-z]:\\|\\\\|/)(?:[^\s\"'“”:;,()/\\]+[/\\])+([^\s\"'“”:;,()/\\]*)")


def public_text(text: str, folder: Path | None = None) -> str:
    """Return a message without paths: those in the site's folder become relative to it, of others the name is left.

    Examples
    --------
    >>> public_text("/srv/sites/brook/offers/flat.toml line 3: /etc/hosts is no offer", Path("/srv/sites/brook"))
    'offers/flat.toml line 3: hosts is no offer'
    """
    for known in _known_folders(folder):
        text = re.sub(rf"(?<![\w./-]){re.escape(known)}(?:[/\\]|(?![\w.-]))", "", text)
    return _ABSOLUTE.sub(lambda found: found[1] or "a folder", text)


def in_page_words(text: str) -> str:
    """Return a message in which what the commands call an option has the page's name.

    Examples
    --------
    >>> in_page_words("give --home-at 17:30; overnight replan makes use of it")
    'give “Away until” 17:30; “Things changed” makes use of it'
    """
    for option, name in FIELD_NAMES.items():
        text = text.replace(option, name)
    for command, name in COMMANDS.items():
        text = text.replace(command, name)
    return text


def _known_folders(folder: Path | None) -> list[str]:
    """Return the folders whose path is cut off, the longest first."""
    known = [Path.cwd(), Path.home(), Path(tempfile.gettempdir())]
    if folder is not None:
        known += [folder, folder.absolute(), folder.resolve()]
    texts = {str(each) for each in known} - {"/", ".", ""}
    return sorted(texts, key=len, reverse=True)
