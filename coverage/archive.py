"""The archive as Python sees it: one object, thin methods, each an answer."""

import os
from collections.abc import Iterable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
from astropy.table import Table
from mocpy import MOC, STMOC, TimeMOC
from numpy.typing import ArrayLike, NDArray

from platecover.coverage.answers import astropy_table, hits_table
from platecover.coverage.edition import Edition, open_current
from platecover.coverage.epochs import bin_width_years, epochs
from platecover.coverage.errors import QueryError
from platecover.coverage.plate_record import plate_record
from platecover.coverage.regions import Region
from platecover.coverage.search import Hits, search
from platecover.coverage.sky_map import sky_map
from platecover.coverage.space_time_moc import space_time_moc
from platecover.coverage.target_pairs import pairs_table
from platecover.coverage.time_moc import time_moc, undated_count
from platecover.coverage.union_moc import union_moc
from platecover.coverage.value_checks import number_between

if TYPE_CHECKING:
    from platecover.coverage.pull_list import PullList
    from platecover.coverage.scan_plan import ScanPlan
    from platecover.coverage.scan_progress import ScanProgress
    from platecover.coverage.scan_wishes import Wishes


class Archive:
    """An opened archive: the edition that was current when it was opened.

    Filters are keywords: `series`, `station`, `telescope`, `observer`, `technique`, `since`,
    `until`, `min_exposure`, `max_exposure` (minutes), `status`, `condition`, `scanned`,
    `certainty`, `undated`. A list of values means any of them, different filters mean all;
    'unknown' asks for empty cells.

    Attributes
    ----------
    edition : Edition
    """

    def __init__(self, edition: Edition) -> None:
        self.edition = edition

    @classmethod
    def open(cls, folder: str | os.PathLike[str]) -> "Archive":
        """Open the current edition of an archive.

        Parameters
        ----------
        folder : path
            What `platecover build --archive` was given.

        Raises
        ------
        ArchiveError
            If it is no archive or is damaged; the text names the file.
        """
        return cls(open_current(Path(folder)))

    def __repr__(self) -> str:
        """Folder of the edition and what it holds."""
        counts = self.edition.summary["counts"]
        return (
            f"<Archive {self.edition.folder}: {counts['exposures']} exposures"
            f" on {counts['plates']} plates>"
        )

    def cone(self, ra: float, dec: float, radius: float, **filters: Any) -> Table:
        """Exposures that show any of a circle.

        Parameters
        ----------
        ra, dec, radius : float
            ICRS degrees; radius 0 asks for a point.
        **filters
            See the class.

        Returns
        -------
        astropy.table.Table
            A row an exposure, ordered by t_min (undated last), then exposure_id.

        Raises
        ------
        QueryError
            If an argument is out of range or a filter's value is not known.
        """
        circle = Region.circle(
            number_between("ra", ra, 0.0, 360.0),
            number_between("dec", dec, -90.0, 90.0),
            number_between("radius", radius, 0.0, 180.0),
        )
        return self.search(circle, **filters)

    def cone_many(
        self, ra: ArrayLike, dec: ArrayLike, radius: ArrayLike = 0.0, **filters: Any
    ) -> Table:
        """Exposures that show any of each of many circles, all in one table.

        Parameters
        ----------
        ra, dec, radius : array_like of float
            ICRS degrees; shapes broadcast to (n,). Radius 0 asks for a point.
        **filters
            See the class.

        Returns
        -------
        astropy.table.Table
            A row for each circle and exposure: `target` (place of the circle, from 0),
            `exposure_id`, `centre_distance`, `edge_distance`, `certainty`; for each circle as
            `cone` gives them, in the order of the circles.

        Raises
        ------
        QueryError
            If a value is out of range, or a filter's value is not known.
        """
        return pairs_table(self.edition, ra, dec, radius, filters)

    def search(self, region: Region, **filters: Any) -> Table:
        """Exposures that show any of a region; as `cone`, distances masked but for circles."""
        return astropy_table(self.rows(region, **filters))

    def rows(self, region: Region, **filters: Any) -> pa.Table:
        """The rows of `search` as an Arrow table, null where nothing is known."""
        return hits_table(self.edition, self.find(region, **filters))

    def find(self, region: Region, **filters: Any) -> Hits:
        """The hits behind `search`: exposure numbers, certainty and distances as arrays."""
        return search(self.edition, _checked(region), filters)

    def epochs(self, region: Region, bin: int | str = 1, **filters: Any) -> dict[str, Any]:
        """Histogram of the epochs at which a region was photographed.

        Parameters
        ----------
        region : Region
        bin : int or str, optional
            Width of the bins in years, 'year' or 'decade'; they start at multiples of it.
        **filters
            See the class.

        Returns
        -------
        dict
            As `epochs.epochs` describes it; plain values.
        """
        return epochs(self.edition, _checked(region), bin_width_years(bin), filters)

    def moc(self, order: int = 9, **filters: Any) -> MOC:
        """Union of the footprints of a selection, without margin.

        Parameters
        ----------
        order : int, optional
            Finest HEALPix order; every cell of it that a footprint touches is held.
        **filters
            See the class; not `certainty`, which needs a region.

        Raises
        ------
        QueryError
            If the order is impossible or would need too many cells.
        """
        return union_moc(self.edition, order, filters)

    def time_moc(self, time_order: int | None = None, **filters: Any) -> TimeMOC:
        """The times of a selection, each as closely as it is known, in TCB.

        Parameters
        ----------
        time_order : int, optional
            Finest order of time cells, 0 to 31 (17.9 minutes); by default the finest that any
            exposure is known well enough for: the night 25, the month 20, the year 16.
        **filters
            See the class; not `certainty`. Undated exposures have no time and are left out;
            `undated_count` tells how many.

        Raises
        ------
        QueryError
            If the order is impossible or a filter is at fault.
        """
        return time_moc(self.edition, time_order, filters)

    def space_time_moc(
        self, order: int | None = None, time_order: int | None = None, **filters: Any
    ) -> STMOC:
        """Which part of the sky a selection covers when, in TCB.

        Parameters
        ----------
        order, time_order : int, optional
            As for `moc` and `time_moc`; by default the finest, up to 9 and as `time_moc` has
            it, that keep the MOC within bounds.
        **filters
            See the class; not `certainty`. Undated exposures are left out.

        Raises
        ------
        QueryError
            If an order is impossible, or the MOC would be too large.
        """
        return space_time_moc(self.edition, order, time_order, filters)

    def undated_count(self, **filters: Any) -> int:
        """How many exposures of a selection have no time; filters as for `time_moc`."""
        return undated_count(self.edition, filters)

    def sky_map(self, quantity: str, order: int = 7, **filters: Any) -> NDArray[np.float64]:
        """Map a quantity of a selection over the whole sky.

        Parameters
        ----------
        quantity : str
            `exposures`, `plates`, `years` (different calendar years), `first`, `last`, `gap`
            (longest, years), `unscanned` or `scanned_share`.
        order : int, optional
            HEALPix order; the result has 12 * 4**order values.
        **filters
            See the class; not `certainty`, which needs a region.

        Returns
        -------
        float64 array
            NESTED, ICRS; counts are 0, other quantities NaN, where nothing is.

        Raises
        ------
        QueryError
            If the quantity is not known or the order impossible.
        """
        return sky_map(self.edition, quantity, order, filters)

    def scan_plan(
        self,
        budget: str,
        wishes: "str | os.PathLike[str] | Wishes | None" = None,
        today: date | None = None,
        **filters: Any,
    ) -> "ScanPlan":
        """Plan what to scan next.

        Parameters
        ----------
        budget : str
            Such as '300 plates', '6 hours' or '5 days'.
        wishes : path or scan_wishes.Wishes, optional
            What is worth how much and takes how long; without it the defaults.
        today : datetime.date, optional
            From which requests are pressing; the computer's date if not given.
        **filters
            See the class; not `certainty`. A plate may be planned if any exposure passes.

        Raises
        ------
        QueryError
            If the budget, a wish or a filter is at fault.
        """
        # planning is wanted by few: a service that never plans stays small without it
        from platecover.coverage.scan_plan import scan_plan
        from platecover.coverage.scan_wishes import Wishes
        from platecover.coverage.wish_reading import read_wishes

        if wishes is None:
            wishes = Wishes()
        elif not isinstance(wishes, Wishes):
            wishes = read_wishes(Path(wishes))
        return scan_plan(self.edition, budget, wishes, filters, today)

    def scanned_maps(self, plan: "ScanPlan") -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Scanned plates that cover each cell now, and once a plan is done.

        Returns
        -------
        before, after : float64, shape (12 * 4**7,)
            NESTED, ICRS.
        """
        from platecover.coverage.scan_maps import scanned_maps  # as of plans

        return scanned_maps(self.edition, plan)

    def pull_list(
        self,
        what: "ScanPlan | Iterable[str]",
        carry_kg: float = 10.0,
        wishes: "Wishes | None" = None,
    ) -> "PullList":
        """List plates as they stand, by loads that one can carry.

        Parameters
        ----------
        what : scan_plan.ScanPlan or iterable of str
            A plan, or designations in any logged spelling.
        carry_kg : float, optional
            Most weight of glass in a load, above 0 and at most 25.
        wishes : scan_wishes.Wishes, optional
            How shelf units are read from shelf texts; with a plan, its own are taken.

        Raises
        ------
        QueryError
            If no plate or an unknown one is named, or the weight is none that a load can have.
        """
        from platecover.coverage.pull_list import (  # as of plans
            pull_list_of_plan,
            pull_list_of_plates,
        )
        from platecover.coverage.scan_plan import ScanPlan

        if isinstance(what, ScanPlan):
            return pull_list_of_plan(self.edition, what, carry_kg)
        return pull_list_of_plates(self.edition, what, wishes, carry_kg)

    def plate_record(self, designation: str) -> dict[str, Any]:
        """All that is known of one plate, as `plate_record.plate_record` describes it.

        Raises
        ------
        QueryError
            If no such plate is known; the text names the nearest.
        """
        return plate_record(self.edition, designation)

    def history(
        self, plate: str | None = None, since: str | None = None, by: str | None = None
    ) -> Table:
        """Who said what of which plate, when; the oldest first.

        Parameters
        ----------
        plate : str, optional
            Designation in any spelling of the logs; with it, what the logs say is there too.
        since : str, optional
            Date, such as '2026-11-25'.
        by : str, optional
            Who said it or sent it in; any case.

        Returns
        -------
        astropy.table.Table
            The HISTORY_COLUMNS; what was undone says by which entry.

        Raises
        ------
        QueryError
            If no such plate is known or the date cannot be read.
        """
        from platecover.coverage.plate_history import history_rows  # wanted by few

        return astropy_table(history_rows(self.edition, plate, since, by))

    def scan_progress(self, by: str = "series", **filters: Any) -> "ScanProgress":
        """How far the scanning has come, day by day, and when it will be done.

        Parameters
        ----------
        by : str, optional
            'series', 'area' (constellation) or 'epoch' (decade).
        **filters
            See the class; not `certainty`. Plates any of whose exposures passes.

        Raises
        ------
        QueryError
            If `by` or a filter is at fault.
        """
        from platecover.coverage.scan_progress import scan_progress  # wanted by few

        return scan_progress(self.edition, by, filters)

    def set_aside(self) -> Table:
        """Rows of the logs that could not become exposures: file, row, column, value, reason.

        The column `cells` holds the whole row as logged (JSON).
        """
        return astropy_table(self.edition.table("set_aside"))

    def remarks(self) -> Table:
        """What was assumed, or set to nothing, in reading: file, row, column, value, reason."""
        return astropy_table(self.edition.table("remarks"))

    def verify(self) -> None:
        """Check every file of the edition against its digest; ArchiveError names a bad one."""
        self.edition.verify()


def _checked(region: object) -> Region:
    if not isinstance(region, Region):
        raise QueryError(
            "region",
            region,
            f"region must be a Region, such as Region.parse('circle 83 -5 2'), got {region!r}",
            usage=True,
        )
    return region
