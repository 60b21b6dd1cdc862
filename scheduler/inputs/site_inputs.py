"""Read all files of a site at once."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

from models.site.series import Series
from models.site.trips import Trip
from models.tariff.offer import Offer
from scheduler.inputs.offer_file import read_offer_files
from scheduler.inputs.series_file import read_emissions, read_series
from scheduler.inputs.site import Site
from scheduler.inputs.site_file import SITE_FILE, examine_site
from scheduler.inputs.trips_file import read_trips
from scheduler.textio.errors import InputFaults, collected, single_fault
from scheduler.textio.read_text import file_problem, sha256_of

OFFER_OPTION = "--offer"

Content = TypeVar("Content")


@dataclass(frozen=True, slots=True, eq=False)
class Inputs:
    """The content of a site's files.

    Attributes
    ----------
    site : its offer_file is the one that was read.
    offer, load : every site has them.
    solar : meter series of solar times the site's scale, or None for a site without.
    emissions : of the grid [g per kWh], in the series' `kw`, or None.
    recorded_trips : in time order, or None for a site without recorded trips.
    files : every file that was read. hashes : the SHA-256 of each, taken when it was read.
    recorded_solar : the series as it was metered.
    """

    site: Site
    offer: Offer
    load: Series
    solar: Series | None
    recorded_trips: tuple[Trip, ...] | None
    files: tuple[Path, ...]
    hashes: Mapping[Path, str]
    recorded_solar: Series | None = None
    emissions: Series | None = None

    def with_site(self, site: Site) -> Inputs:
        """Return the same inputs for a changed site, its solar scaled as that site says."""
        return replace(self, site=site, solar=scaled(self.recorded_solar, site.solar_scale))


def scaled(series: Series | None, factor: float) -> Series | None:
    """Return a series times a factor; the series itself for a factor of 1."""
    return series if series is None or factor == 1 else replace(series, kw=series.kw * factor)


def read_inputs(folder: Path, offer_file: Path | None = None) -> Inputs:
    """Read every file of a site.

    Parameters
    ----------
    folder : the site's folder.
    offer_file : offer to read instead of the site's own; relative to the working directory, or else to the folder.

    Raises
    ------
    InputFaults : every fault of every file.
    """
    reading = examine_site(folder)
    faults = list(reading.faults)
    files = dict(reading.data_files)
    if offer_file is not None:
        files.pop("offer", None)
        chosen = collected(lambda: _chosen_offer(folder, offer_file), faults)
        if chosen is not None:
            files["offer"] = chosen

    def read(key: str, reader: Callable[[Path], Content]) -> Content | None:
        path = files.get(key)
        return None if path is None else collected(lambda: reader(path), faults)

    # if [site] is faulty, the offer is not blamed for a missing calendar
    has_calendar = reading.has_calendar is not False
    offer_and_files = read("offer", lambda path: read_offer_files(path, has_calendar))
    load = read("load", read_series)
    solar = read("solar", read_series)
    recorded_trips = read("trips", read_trips)
    emissions = read("emissions", read_emissions)
    if faults or reading.site is None or offer_and_files is None or load is None:
        raise InputFaults(faults)
    offer, offer_files = offer_and_files
    every = tuple(dict.fromkeys((folder / SITE_FILE, *files.values(), *offer_files)))
    return Inputs(
        site=replace(reading.site, offer_file=files["offer"]),
        offer=offer,
        load=load,
        solar=scaled(solar, reading.site.solar_scale),
        recorded_trips=recorded_trips,
        files=every,
        hashes={file: sha256_of(file) for file in every},
        emissions=emissions,
        recorded_solar=solar,
    )


def _chosen_offer(folder: Path, offer_file: Path) -> Path:
    """Return the path of the offer's file, relative to the working directory or else to the folder."""
    for path in (offer_file, folder / offer_file):
        if file_problem(path) is None:
            return path
    raise single_fault(OFFER_OPTION, f"{offer_file}: {file_problem(offer_file)}; expected an offer's file")
