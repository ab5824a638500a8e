"""Which images a question of Simple Image Access is about.

IVOA SIA 2.0 (2015), section 2.1: values of one parameter are alternatives, different parameters
all hold, limits are included, and what is null satisfies no constraint. A place is met by the
footprint itself: the margin, which other searches allow for, has no say here.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from platecover.coverage.edition import Edition
from platecover.coverage.folded_words import folded_words, is_utf8
from platecover.coverage.obscore import IsPublic, ObsCoreRows, is_image
from platecover.coverage.region_overlap import overlap
from platecover.coverage.regions import Circle, Region
from platecover.coverage.search import matches

# Columns that each parameter is about.
OVERLAPPING = {"BAND": ("em_min", "em_max"), "TIME": ("t_min", "t_max")}
WITHIN = {
    "FOV": "s_fov", "SPATRES": "s_resolution", "SPECRP": "em_res_power", "EXPTIME": "t_exptime",
    "TIMERES": "t_resolution",
}  # fmt: skip
EQUAL = {
    "COLLECTION": "obs_collection", "FACILITY": "facility_name", "INSTRUMENT": "instrument_name",
    "TARGET": "target_name", "DPTYPE": "dataproduct_type", "POL": "pol_states",
}  # fmt: skip
_HAIR_RAD = 1e-9  # 0.2 mas

IDENTIFIER, FORMAT, CALIB = "ID", "FORMAT", "CALIB"


class Interval(NamedTuple):
    """Numbers from `low` to `high`, both included; either may be infinite."""

    low: float
    high: float


@dataclass(frozen=True)
class ImageQuestion:
    """What is asked of the images; nothing at all asks for every one.

    Attributes
    ----------
    places : sequence of Region
    intervals : mapping of str to sequence of Interval
        By parameter: those of OVERLAPPING and WITHIN, in the units of their columns.
    texts : mapping of str to sequence of str
        By parameter: those of EQUAL, ID and FORMAT.
    calib_levels : sequence of int
    """

    places: Sequence[Region] = ()
    intervals: Mapping[str, Sequence[Interval]] = field(default_factory=dict)
    texts: Mapping[str, Sequence[str]] = field(default_factory=dict)
    calib_levels: Sequence[int] = ()


def selected_images(
    edition: Edition,
    question: ImageQuestion,
    publisher: str,
    is_public: IsPublic = lambda name: True,
) -> NDArray[np.int64]:
    """Numbers of the images that a question is about.

    Parameters
    ----------
    edition : Edition
    question : ImageQuestion
    publisher : str
        As for `obscore.ObsCoreRows`.
    is_public : callable, optional
        Whether a column of ours may be seen. An ObsCore column that tells of a hidden one is
        null, and so satisfies nothing; places are met all the same, as in every search.

    Returns
    -------
    int64, shape (n,)
        Exposure numbers, ascending.
    """
    chosen = is_image(edition)
    if question.places:
        chosen = np.zeros(len(chosen), dtype=np.bool_)
        for place in question.places:
            chosen[images_that_meet(edition, place)] = True
    numbers = np.flatnonzero(chosen)
    if IDENTIFIER in question.texts:
        numbers = numbers[_identified(edition, numbers, question.texts[IDENTIFIER], publisher)]

    def column(name: str) -> pa.Array:
        return ObsCoreRows(edition, numbers, publisher, is_public).column(name)

    def floats(name: str) -> NDArray[np.float64]:
        return np.asarray(column(name).to_numpy(zero_copy_only=False), dtype=np.float64)

    if question.calib_levels:
        numbers = numbers[np.isin(column("calib_level").to_numpy(), question.calib_levels)]
    if FORMAT in question.texts:
        wanted = [value.casefold() for value in question.texts[FORMAT]]
        numbers = numbers[_is_any_of(column("access_format"), wanted)]
    for name, values in question.texts.items():
        if name in EQUAL:
            numbers = numbers[_is_any_of(column(EQUAL[name]), values)]
    for name, intervals in question.intervals.items():
        low, high = map(floats, OVERLAPPING.get(name) or (WITHIN[name],) * 2)
        # any value between low and high will do, except in FOV and its like, where they are one
        keep = np.zeros(len(numbers), dtype=np.bool_)
        for interval in intervals:
            keep |= (high >= interval.low) & (low <= interval.high)  # NaN fails
        numbers = numbers[keep]
    return numbers


def images_that_meet(edition: Edition, place: Region) -> NDArray[np.int64]:
    """Numbers of the images whose footprint, without margin, meets a place; ascending.

    Of a circle of radius r: those whose edge distance is at least -r.
    """
    hits = matches(edition, place, measured=False)
    met = hits.sure.copy()
    if isinstance(place, Circle):  # what is sure by a hair is measured as rows tell it
        met &= edition.geometry["margin_rad"][hits.numbers] > _HAIR_RAD
    open_ = np.flatnonzero(~met)
    records = edition.geometry[hits.numbers[open_]]
    records["margin_rad"] = 0.0
    met[open_] = overlap(place, records)[0]
    numbers = hits.numbers[met]
    return numbers[is_image(edition)[numbers]]


def _identified(
    edition: Edition, numbers: NDArray[np.int64], wanted: Sequence[str], publisher: str
) -> NDArray[np.bool_]:
    """Which images have one of the identifiers; case does not count (section 2.1.10)."""
    start = publisher.casefold()
    ids = [
        value.casefold()[len(start) :]
        for value in wanted
        if value.casefold().startswith(start) and is_utf8(value)
    ]
    known = pc.is_in(folded_words(edition, "exposure_id"), pa.array(ids, pa.string()))
    mask = np.asarray(known.to_numpy(zero_copy_only=False), dtype=np.bool_)
    return mask[edition.codes("exposure_id")[numbers]]


def _is_any_of(column: pa.Array, wanted: Sequence[str]) -> NDArray[np.bool_]:
    """Where a column of texts has one of those wanted; '' and null are none."""
    values = pa.array([value for value in wanted if value and is_utf8(value)], pa.string())
    words = column.dictionary if pa.types.is_dictionary(column.type) else column
    known = np.asarray(pc.is_in(words, values).to_numpy(zero_copy_only=False), dtype=np.bool_)
    return known if words is column else known.take(column.indices.to_numpy())
