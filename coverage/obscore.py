"""Images as ObsCore describes them: its 30 mandatory columns, declared once, and rows of them.

IVOA ObsCore 1.1 (2017), table 4 and appendix C. An image is an exposure on a plate, scanned or
not; a plate that was never scanned is data all the same, of calibration level 0. What we cannot
know of it (pixels, sizes of files, resolution) is null.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from platecover.coverage.answers import decoded
from platecover.coverage.columns import Column
from platecover.coverage.edition import Edition
from platecover.coverage.outlines import diameters_deg, outline_texts
from platecover.coverage.per_edition import PerEdition
from platecover.coverage.spectral_bands import Band, WordBands

IMAGE = "image"
NOT_SCANNED, SCANNED = (
    0,
    1,
)  # calibration levels: no data as such; in a common format, not calibrated
UTYPE_PREFIX = "obscore:"
_ONE_SAMPLE = 1  # along time and spectrum

# An objective prism or grating still makes an image (ObsCore 1.1, section 1.4.1), and so do tests
# and trails: sky in focus, only less useful.
_NOT_IMAGES = ("slit spectrum",)
_MAKE_FOOTPRINT = (
    "width_mm", "height_mm", "scale_arcsec_per_mm", "usable_radius_deg", "position_angle_deg",
    "orientation_known",
)  # fmt: skip
_MAKE_BAND = ("emulsion", "filter")
_FORMATS = {  # by the ending of an address
    "image/fits": "fits|fit|fts|fits[.](?:gz|fz)",
    "image/jpeg": "jpe?g",
    "image/png": "png",
    "image/tiff": "tiff?",
}
_FORMAT_WORDS = pa.array(["", *_FORMATS])

IsPublic = Callable[[str], bool]


@dataclass(frozen=True)
class ObsCoreColumn(Column):
    """One column; `kind` is 'ascii' for texts of the trade, 'text' for names as logged.

    Attributes
    ----------
    utype : str
        With its prefix.
    made_of : tuple of str
        Columns of ours that it tells of: who may not see one of them may not see it.
    """

    utype: str = ""
    made_of: tuple[str, ...] = ()


def _column(
    name: str, kind: str, unit: str, ucd: str, utype: str, description: str, *made_of: str
) -> ObsCoreColumn:
    return ObsCoreColumn(name, kind, unit, ucd, description, UTYPE_PREFIX + utype, made_of)


_SPACE, _TIME, _LIGHT = "Char.SpatialAxis.", "Char.TimeAxis.", "Char.SpectralAxis."
_PLACE = _SPACE + "Coverage.Location.Coord.Position2D.Value2."

OBSCORE_COLUMNS: tuple[ObsCoreColumn, ...] = (
    _column("dataproduct_type", "ascii", "", "meta.code.class", "ObsDataset.dataProductType",
            "Kind of data: always image"),
    _column("calib_level", "int", "", "meta.code;obs.calib", "ObsDataset.calibLevel",
            "1: scanned; 0: a plate that is not scanned, or not known to be"),
    _column("obs_collection", "ascii", "", "meta.id", "DataID.collection", "Plate series code"),
    _column("obs_id", "ascii", "", "meta.id", "DataID.observationID",
            "Designation of the plate; exposures on one plate share it"),
    _column("obs_publisher_did", "ascii", "", "meta.ref.ivoid", "Curation.publisherDID",
            "Identifier of the exposure; its authority may be a placeholder"),
    _column("access_url", "text", "", "meta.ref.url", "Access.reference",
            "Where the scan is, if there is one", "access_url"),
    _column("access_format", "ascii", "", "meta.code.mime", "Access.format",
            "Media type of the scan, by the ending of its address", "access_url"),
    _column("access_estsize", "int", "kbyte", "phys.size;meta.file", "Access.size",
            "Size of the scan"),
    _column("target_name", "text", "", "meta.id;src", "Target.name",
            "What it was taken of, as logged", "object"),
    _column("s_ra", "float", "deg", "pos.eq.ra", _PLACE + "C1",
            "ICRS right ascension of the centre", "s_ra"),
    _column("s_dec", "float", "deg", "pos.eq.dec", _PLACE + "C2",
            "ICRS declination of the centre", "s_dec"),
    _column("s_fov", "float", "deg", "phys.angSize;instr.fov",
            _SPACE + "Coverage.Bounds.Extent.diameter",
            "Diameter of the circle about the centre that holds the exposed area",
            *_MAKE_FOOTPRINT),
    _column("s_region", "ascii", "", "pos.outline;obs.field", _SPACE + "Coverage.Support.Area",
            "Outline of the exposed area, STC-S; of both layouts together where the orientation"
            " is not known; chords stand for a circular cut", *_MAKE_FOOTPRINT),
    _column("s_resolution", "float", "arcsec", "pos.angResolution",
            _SPACE + "Resolution.Refval.value", "Angular resolution"),
    _column("s_xel1", "int", "", "meta.number", _SPACE + "numBins1", "Pixels along the first axis"),
    _column("s_xel2", "int", "", "meta.number", _SPACE + "numBins2",
            "Pixels along the second axis"),
    _column("t_min", "float", "d", "time.start;obs.exposure",
            _TIME + "Coverage.Bounds.Limits.StartTime",
            "Earliest start, MJD in UT (UT1 < 1960)", "t_min"),
    _column("t_max", "float", "d", "time.end;obs.exposure",
            _TIME + "Coverage.Bounds.Limits.StopTime",
            "Latest end, MJD in UT (UT1 < 1960)", "t_max"),
    _column("t_exptime", "float", "s", "time.duration;obs.exposure",
            _TIME + "Coverage.Support.Extent", "Exposure time", "t_exptime"),
    _column("t_resolution", "float", "s", "time.resolution", _TIME + "Resolution.Refval.value",
            "Resolution in time: the exposure time", "t_exptime"),
    _column("t_xel", "int", "", "meta.number", _TIME + "numBins", "Samples in time"),
    _column("em_min", "float", "m", "em.wl;stat.min", _LIGHT + "Coverage.Bounds.Limits.LoLimit",
            "Shortest wavelength, by class of emulsion and filter", *_MAKE_BAND),
    _column("em_max", "float", "m", "em.wl;stat.max", _LIGHT + "Coverage.Bounds.Limits.HiLimit",
            "Longest wavelength, by class of emulsion and filter", *_MAKE_BAND),
    _column("em_res_power", "float", "", "spect.resolution",
            _LIGHT + "Resolution.ResolPower.refVal", "Spectral resolving power"),
    _column("em_xel", "int", "", "meta.number", _LIGHT + "numBins", "Samples along the spectrum"),
    _column("o_ucd", "ascii", "", "meta.ucd", "Char.ObservableAxis.ucd",
            "UCD of what is measured; photographic density has none"),
    _column("pol_states", "ascii", "", "meta.code;phys.polarization",
            "Char.PolarizationAxis.stateList", "States of polarization"),
    _column("pol_xel", "int", "", "meta.number", "Char.PolarizationAxis.numBins",
            "Number of states of polarization"),
    _column("facility_name", "text", "", "meta.id;instr.tel",
            "Provenance.ObsConfig.Facility.name", "Observatory and its station", "station"),
    _column("instrument_name", "text", "", "meta.id;instr",
            "Provenance.ObsConfig.Instrument.name", "Telescope", "telescope"),
)  # fmt: skip
OBSCORE_NAMES = tuple(column.name for column in OBSCORE_COLUMNS)
_MADE_OF = {column.name: column.made_of for column in OBSCORE_COLUMNS}
_ARROW_KIND = {"ascii": pa.string(), "text": pa.string(), "float": pa.float64(), "int": pa.int64()}
_NULL_KIND = {column.name: _ARROW_KIND[column.kind] for column in OBSCORE_COLUMNS}

# Columns of ours that are ObsCore's as they stand.
_SAME = {
    "t_min": "t_min", "t_max": "t_max", "t_exptime": "t_exptime", "t_resolution": "t_exptime",
    "s_ra": "s_ra", "s_dec": "s_dec", "target_name": "object", "instrument_name": "telescope",
    "access_url": "access_url",
}  # fmt: skip
_CONSTANT = {"t_xel": _ONE_SAMPLE, "em_xel": _ONE_SAMPLE, "pol_xel": 0}


@dataclass(frozen=True)
class _EditionWords:
    """What the words of an edition mean here; by dictionary code, or by exposure number."""

    is_image: NDArray[np.bool_]
    facilities: pa.StringArray
    formats: NDArray[np.int8]  # of scans, as places in _FORMAT_WORDS
    bands: WordBands


def _edition_words(edition: Edition) -> _EditionWords:
    observatory = edition.summary["observatory"]
    barred = [word in _NOT_IMAGES for word in edition.words("technique")]
    own = {
        table: {name: Band(**limits) for name, limits in observatory.get(table, {}).items()}
        for table in ("emulsions", "filters")
    }
    parts = [[observatory["name"], station] for station in edition.words("station")]
    return _EditionWords(
        ~np.array(barred, dtype=np.bool_)[edition.codes("technique")],
        pa.array([", ".join(filter(None, part)) for part in parts], pa.string()),
        _scan_formats(edition.exposures.column("access_url").chunk(0).dictionary),
        WordBands(
            edition.words("emulsion"), edition.words("filter"), own["emulsions"], own["filters"]
        ),
    )


_WORDS = PerEdition(_edition_words)


def _scan_formats(addresses: pa.StringArray) -> NDArray[np.int8]:
    """Formats by the endings of addresses; query and fragment do not count."""
    formats = np.zeros(len(addresses), dtype=np.int8)
    for place, endings in enumerate(_FORMATS.values(), 1):
        found = pc.match_substring_regex(addresses, f"^[^?#]*[.](?i:{endings})(?:[?#].*)?$")
        formats[found.to_numpy(zero_copy_only=False)] = place
    return formats


def is_image(edition: Edition) -> NDArray[np.bool_]:
    """Which exposures are images; bool, shape (n_exposures,)."""
    return _WORDS.of(edition).is_image


class ObsCoreRows:
    """Rows of ObsCore, made of the edition piece by piece, so that many take little memory.

    Parameters
    ----------
    edition : Edition
    numbers : int64, shape (n,)
        Exposure numbers.
    publisher : str
        What stands before an exposure's id in `obs_publisher_did`.
    is_public : callable, optional
        Whether a column of ours may be seen.

    Attributes
    ----------
    column_names : list of str
    """

    def __init__(
        self,
        edition: Edition,
        numbers: NDArray[np.int64],
        publisher: str,
        is_public: IsPublic = lambda name: True,
    ) -> None:
        self.column_names = list(OBSCORE_NAMES)
        self._edition, self._numbers = edition, numbers
        self._publisher, self._is_public = publisher, is_public

    def __len__(self) -> int:
        """Return the number of rows."""
        return len(self._numbers)

    def slice(self, first: int = 0, count: int | None = None) -> pa.Table:
        """Some rows, or all.

        Returns
        -------
        pyarrow.Table
            One chunk a column. Names are dictionary codes; '', NaN and null stand for what is
            not known.
        """
        some = self._numbers[slice(first, None if count is None else first + count)]
        rows = ObsCoreRows(self._edition, some, self._publisher, self._is_public)
        return pa.table([rows.column(name) for name in OBSCORE_NAMES], names=list(OBSCORE_NAMES))

    def column(self, name: str) -> pa.Array:
        """One column of all rows, as `slice` has it."""
        if not all(map(self._is_public, _MADE_OF[name])):
            return pa.nulls(len(self), _NULL_KIND[name])
        if name in _SAME:
            return self._kept(_SAME[name])
        if name in _CONSTANT:
            return pa.array(np.full(len(self), _CONSTANT[name]))
        make = getattr(self, f"_{name}", None)
        return pa.nulls(len(self), _NULL_KIND[name]) if make is None else make()

    def _kept(self, name: str) -> Any:
        """A column of the edition."""
        return self._edition.exposures.column(name).chunk(0).take(pa.array(self._numbers))

    def _codes(self, name: str) -> NDArray[np.int32]:
        return self._edition.codes(name)[self._numbers]

    def _code(self, name: str, word: str) -> int:
        """Dictionary code of a word of the edition; -1 if it does not occur."""
        return int(pc.index(self._edition.exposures.column(name).chunk(0).dictionary, word).as_py())

    def _dataproduct_type(self) -> pa.Array:
        return _coded(np.zeros(len(self)), pa.array([IMAGE]))

    def _calib_level(self) -> pa.Array:
        scanned = np.zeros(len(self), dtype=np.bool_)
        if self._is_public("scanned"):
            scanned |= self._codes("scanned") == self._code("scanned", "yes")
        if self._is_public("access_url"):
            scanned |= self._codes("access_url") != self._code("access_url", "")
        return pa.array(np.where(scanned, SCANNED, NOT_SCANNED))

    def _obs_collection(self) -> pa.Array:
        if self._is_public("series"):
            return self._kept("series")
        return pa.array(["plates"]).take(pa.array(np.zeros(len(self), np.int32)))

    def _obs_id(self) -> pa.Array:
        return self._kept("plate" if self._is_public("plate") else "exposure_id")

    def _obs_publisher_did(self) -> pa.Array:
        return pc.binary_join_element_wise(self._publisher, decoded(self._kept("exposure_id")), "")

    def _access_format(self) -> pa.Array:
        formats = _WORDS.of(self._edition).formats[self._codes("access_url")]
        return _coded(formats, _FORMAT_WORDS)

    def _s_fov(self) -> pa.Array:
        return pa.array(diameters_deg(self._edition.geometry[self._numbers]))

    def _s_region(self) -> pa.Array:
        return outline_texts(self._edition.geometry[self._numbers])

    def _em_min(self) -> pa.Array:
        return pa.array(self._band_m()[0])

    def _em_max(self) -> pa.Array:
        return pa.array(self._band_m()[1])

    def _band_m(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        bands = _WORDS.of(self._edition).bands
        return bands.limits_m(self._codes("emulsion"), self._codes("filter"))

    def _facility_name(self) -> pa.Array:
        return _coded(self._codes("station"), _WORDS.of(self._edition).facilities)


def _coded(codes: NDArray[Any], words: pa.StringArray) -> pa.DictionaryArray:
    return pa.DictionaryArray.from_arrays(pa.array(codes.astype(np.int32)), words)
