"""The sites of a page: their folders, their files read once until they change, and the offer chosen for the evening."""

from __future__ import annotations

import re
import threading
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from scheduler.inputs.offer_file import read_offer_files
from scheduler.inputs.site_file import SITE_FILE
from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.textio.errors import InputFaults, single_fault
from scheduler.textio.read_text import folder_problem

MOST_SITES = 100
MOST_OFFERS = 50
OFFERS_FOLDER = "offers"

Signature = tuple[tuple[str, int, int], ...]


@dataclass(frozen=True, slots=True)
class OfferChoice:
    """An offer in the site's folder.

    Attributes
    ----------
    key : what a form calls it. name : its own; of a faulty file that of the file. faults : what is wrong with it.
    """

    key: str
    name: str
    file: Path
    faults: tuple[str, ...] = ()


class WebSite:
    """A site of the page.

    The offer that is chosen on the page holds until the page is stopped: it is in memory alone, since the offer that a
    site is on stands in its `site.toml`.

    Attributes
    ----------
    slug : its name in addresses. folder : of its files. plans : the folder of its plans.
    invented : the demo's evenings as they were last read, and what of; None before that.
    chosen : key of the offer that is used in place of the site's own; None for its own.
    """

    def __init__(self, slug: str, folder: Path) -> None:
        self.slug, self.folder, self.plans = slug, folder, folder / "plans"
        self.chosen: str | None = None
        self.invented: tuple[object, object] | None = None
        self._lock = threading.Lock()
        self._read: dict[Path | None, tuple[Signature, Inputs]] = {}
        self._offers: dict[Path, tuple[Signature, tuple[Path, ...], OfferChoice]] = {}

    def offer_file(self) -> Path | None:
        """Return the file of the chosen offer; None for the site's own, or if the chosen one is gone."""
        if self.chosen is None:
            return None
        return next((each for each in self._offer_files() if each.stem == self.chosen), None)

    def inputs(self) -> Inputs:
        """Return what is in the site's files, with the chosen offer; read again once one of them changes.

        Raises
        ------
        InputFaults : every fault of every file.
        """
        offer = self.offer_file()
        with self._lock:
            kept = self._read.get(offer)
            if kept is not None and kept[0] == signature(kept[1].files):
                return kept[1]
            inputs = read_inputs(self.folder.absolute(), None if offer is None else offer.absolute())
            self._read = {offer: (signature(inputs.files), inputs)}
            return inputs

    def offers(self) -> list[OfferChoice]:
        """Return the offers in the site's folder; one is read again once one of its files changes."""
        found = []
        for file in self._offer_files():
            kept = self._offers.get(file)
            if kept is not None and kept[0] == signature(kept[1]):
                found.append(kept[2])
                continue
            try:
                offer, files = read_offer_files(file, has_calendar=True)
                choice = OfferChoice(file.stem, offer.name, file)
                self._offers[file] = (signature(files), files, choice)
            except InputFaults as error:
                choice = OfferChoice(file.stem, file.name, file, tuple(str(fault) for fault in error.told))
            found.append(choice)
        return found

    def _offer_files(self) -> list[Path]:
        folder = self.folder / OFFERS_FOLDER
        try:
            return sorted(each for each in folder.glob("*.toml") if each.is_file())[:MOST_OFFERS]
        except OSError:
            return []


def web_sites(folders: Sequence[Path]) -> tuple[WebSite, ...]:
    """Return the sites in some folders, each under a name of its own.

    Raises
    ------
    InputFaults : there are none or too many, one is not a site's folder, or one is given twice.
    """
    if not 1 <= len(folders) <= MOST_SITES:
        raise single_fault("SITE", f"given {len(folders)} times; expected 1 to {MOST_SITES} sites")
    found: dict[str, WebSite] = {}
    resolved: set[Path] = set()
    for folder in folders:
        if problem := folder_problem(folder):
            raise single_fault(folder, problem)
        if not (folder / SITE_FILE).is_file():
            raise single_fault(folder, f"there is no {SITE_FILE} here; expected a site's folder")
        if folder.resolve() in resolved:
            raise single_fault(folder, "this site is given twice")
        resolved.add(folder.resolve())
        slug = slug_of(folder.resolve().name)
        while slug in found:
            slug = f"{slug}-2"
        found[slug] = WebSite(slug, folder)
    return tuple(found.values())


def slug_of(name: str) -> str:
    """Return a name as it stands in an address.

    Examples
    --------
    >>> slug_of("Brook Cottage"), slug_of("…")
    ('brook-cottage', 'site')
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:40] or "site"


def signature(files: Sequence[Path]) -> Signature:
    """Return what changes when a file does; a file that is gone has none."""
    found = []
    for file in files:
        try:
            state = file.stat()
            found.append((str(file), state.st_mtime_ns, state.st_size))
        except OSError:
            found.append((str(file), 0, 0))
    return tuple(found)
