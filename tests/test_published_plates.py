"""Five plates with worked answers, from log to search, against independent arithmetic.

The answers (PLATES) were worked out outside this program by two routes that agree to 0.01
arcsec: the gnomonic projection of Calabretta & Greisen 2002 (A&A 395, 1077) by ERFA `tpsts`,
precession of the old equinoxes by hand (Newcomb's angles in Andoyer's form) and ERFA `fk45z`; and
astropy's WCS with astropy's FK4 to ICRS. Areas are 4 atan(XY / sqrt(1 + X2 + Y2)), as any text on
solid angles of a rectangular pyramid gives, and the spherical polygon of the ICRS corners.
Cells were counted by healpy, cdshealpix and MOCPy, whose tolerances are taken over. Julian Dates
are calendar arithmetic. Each plate is meant to expose a certain slip: FAULTS says which places
change sides under it. The series codes are ours.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from numpy.testing import assert_allclose
from tests.archives import write_log, write_observatory

from platecover.coverage.archive import Archive
from platecover.coverage.edition_build import build
from platecover.coverage.footprint import HOLDS_CENTRE, footprint_cells
from platecover.coverage.plate_geometry import Records, corners_deg, solid_angle_deg2

MJD_ZERO_JD = 2400000.5
ORDER = 9
CELLS_HOLDING_CENTRE_TOLERANCE, CELLS_TOUCHED_TOLERANCE = 3, 6
INCH_MM = 25.4


@dataclass(frozen=True)
class Published:
    """One plate: what the log says and what is known of it (degrees, mm, deg2)."""

    log: dict[str, str]
    scale: float
    centre: tuple[float, float]
    mid_jd: float
    corners: list[tuple[float, float]]
    area: float
    area_tolerance: float
    holding_centre: int
    touched: int
    # name: RA, Dec, whether it is on the plate, x and y on the plate
    places: dict[str, tuple[float, float, bool, float, float]]
    faults: dict[str, set[str]] = field(default_factory=dict)

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height."""
        return float(self.log["width_mm"]), float(self.log["height_mm"])


def _log(
    ra: str, dec: str, equinox: str, width: float, height: float, **others: str
) -> dict[str, str]:
    size = {"width_mm": f"{width:.4f}", "height_mm": f"{height:.4f}"}
    return {"ra": ra, "dec": dec, "equinox": equinox, **size, **others}


PLATES = {
    "AN": Published(
        _log("18 36 00", "+39 00 00", "B1900.0", 160, 160,
             date="1898-08-09", time="09:45:00", clock="GMAT", exposure_min="40"),
        60.0, (279.8353, 39.0911), 2414511.420139,
        [(281.5645, 40.4277), (278.0639, 40.3941), (278.1711, 37.7300), (281.5419, 37.7623)],
        7.1073, 0.001, 540, 607,
        {
            "Vega": (279.235, 38.7837, True, -28.3, -18.0),
            "a": (281.2, 40.2, True, 63.4, 66.2),
            "b": (277.5, 37.5, False, -112.4, -92.7),
            "c": (279.7, 40.45, False, -5.2, 81.6),
        },
        {"no precession": {"a"}, "equinox 1950": {"a"}},
    ),
    "SP": Published(
        _log("08 00 00", "+87 00 00", "B1950.0", 14 * INCH_MM, 14 * INCH_MM,
             date="1952 Mar 1", time="05:40:00", clock="UT", exposure_min="12"),
        67.14, (125.0109, 86.8503), 2434072.740278,
        [(213.4105, 86.4489), (27.4388, 86.9287), (95.1383, 82.8591), (149.5035, 82.6395)],
        43.8359, 0.001, 3339, 3508,
        {
            "pole": (0.0, 90.0, True, -12.9, 168.6),
            "Polaris": (37.9546, 89.2641, True, -52.1, 163.5),
            "a": (200.0, 84.9, False, 256.6, 117.8),
            "b": (121.5, 83.4, False, -7.5, -185.7),
            "c": (90.0, 83.0, False, -204.3, -155.2),
        },
    ),
    "ZH": Published(
        _log("00 01 00", "-30 00 00", "B1875.0", 10 * INCH_MM, 8 * INCH_MM,
             date="1892 Oct 15", time="13:20:00", clock="GMAT", exposure_min="60"),
        100.0, (1.8436, -29.3040), 2412387.576389,
        [(5.7749, -26.4311), (357.9140, -26.4294), (357.6896, -32.0552), (5.9960, -32.0570)],
        39.7013, 0.001, 3027, 3182,
        {
            "a": (358.0, -29.0, True, -121.1, 8.9),
            "b": (5.5, -31.5, True, 112.4, -80.9),
            "c": (5.96, -29.5, False, 129.1, -9.3),
            "d": (358.0, -26.3, False, -124.4, 106.4),
            "e": (1.8, -26.6, True, -1.4, 97.4),
        },
        {"no precession": {"b", "e"}, "equinox 1950": {"b", "e"}, "sides swapped": {"a", "b"}},
    ),
    "TU": Published(
        _log("05 32 00", "-05 00 00", "B1950.0", 240, 160, position_angle_deg="20",
             date="1949-01-25", time="20:10:00", clock="UT", exposure_min="30"),
        86.0, (83.6165, -4.9675), 2432942.350694,
        [(86.9725, -4.1613), (81.5916, -2.1822), (80.2523, -5.7568), (85.6585, -7.7467)],
        21.8745, 0.001, 1668, 1777,
        {
            "M42": (83.8221, -5.3911, True, 14.2, -13.7),
            "a": (86.7, -4.35, True, 112.0, 68.7),
            "b": (81.6, -2.35, True, -117.2, 73.5),
            "c": (85.9, -7.5, False, 125.9, -66.8),
            "d": (83.6, -7.4, False, 34.7, -95.8),
        },
        {
            "no precession": {"a", "b"},
            "angle reversed": {"a", "b"},
            "angle ignored": {"a", "b"},
            "sides swapped": {"a", "b", "d"},
        },
    ),
    "WF": Published(
        _log("02 00 00", "+55 00 00", "B1855.0", 8.5 * INCH_MM, 6.5 * INCH_MM,
             date="1891-12-02", time="21:30:00", clock="LMT", exposure_min="180"),
        400.0, (32.4624, 55.6904), 2412069.422044,
        [(58.4484, 62.1919), (6.6869, 62.5541), (15.5147, 45.4755), (48.9986, 45.2364)],
        425.3850, 0.004, 32441, 32958,
        {
            "a": (55.6, 61.5, True, 98.4, 71.7),
            "b": (10.0, 61.9, True, -96.2, 71.7),
            "c": (33.0, 64.5, True, 1.1, 79.9),
            "d": (32.9, 65.2, False, 0.6, 86.4),
            "e": (15.7, 47.0, True, -103.5, -68.8),
        },
        {
            "no precession": {"a", "c"},
            "equinox 1950": {"c"},
            "sides swapped": {"a", "b", "d", "e"},
        },
    ),
}  # fmt: skip

FAULTS: dict[str, Callable[[dict[str, str]], dict[str, str]]] = {
    "no precession": lambda log: log | {"equinox": "ICRS"},
    "equinox 1950": lambda log: log | {"equinox": "B1950"},
    "sides swapped": lambda log: log | {"width_mm": log["height_mm"], "height_mm": log["width_mm"]},
    "angle reversed": lambda log: (
        log | {"position_angle_deg": str(-float(log.get("position_angle_deg", 0)))}
    ),
    "angle ignored": lambda log: log | {"position_angle_deg": "0"},
}

# A table of measures has five decimals at most and its rounding: these are the sources' own.
CENTRE_TOLERANCE_DEG, CORNER_TOLERANCE_DEG, TIME_TOLERANCE_D = 0.0005, 0.001, 0.00002
PLACE_ROUNDING_MM = 0.06

# The wide plate's clock shows local mean time at longitude 0h52m15.4s east.
STATION = {"latitude_deg": 52.0, "longitude_deg": 15.0 * (52 / 60 + 15.4 / 3600), "height_m": 40}


def build_plates(folder: Path, fault: str = "") -> Archive:
    """Build all five from one log, with a fault in every row if one is named."""
    logs = {code: FAULTS[fault](each.log) if fault else each.log for code, each in PLATES.items()}
    rows = [{"plate": f"{code} 1", **cells} for code, cells in logs.items()]
    series = {
        code: {"scale_arcsec_per_mm": each.scale, "station": "east", "equinox": None}
        for code, each in PLATES.items()
    }
    log = write_log(folder / "log.csv", rows)
    observatory = write_observatory(folder / "observatory.toml", series, {"east": STATION})
    build(folder / "archive", [log], observatory, strict=True)
    return Archive.open(folder / "archive")


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    return build_plates(tmp_path_factory.mktemp("published"))


def record_of(archive: Archive, code: str) -> Records:
    """Geometry of one plate, shape (1,)."""
    series = archive.edition.exposures.column("series").to_pylist()
    return archive.edition.geometry[[series.index(code)]]


def is_on(archive: Archive, code: str, ra: float, dec: float) -> bool:
    """Whether a search of the place finds it on the plate.

    Every place is 1 mm or more from an edge, and margins are some arcsec: there is no doubt.
    """
    rows = archive.cone(ra, dec, 0.0, series=code)
    assert list(rows["certainty"]) == ["sure"] * len(rows)
    assert (np.asarray(rows["edge_distance"]) > 0.0).all()
    return len(rows) == 1


@pytest.mark.parametrize("code", PLATES)
def test_centre_time_and_corners(archive: Archive, code: str) -> None:
    plate = PLATES[code]
    row = archive.cone(*plate.centre, 0.0, series=code)[0]
    centre = SkyCoord(*plate.centre, unit=u.deg)
    assert centre.separation(SkyCoord(row["s_ra"], row["s_dec"], unit=u.deg)).deg < (
        CENTRE_TOLERANCE_DEG
    )
    middle = (row["t_min"] + row["t_max"]) / 2 + MJD_ZERO_JD
    assert_allclose(middle, plate.mid_jd, rtol=0, atol=TIME_TOLERANCE_D)
    assert row["t_exptime"] == 60.0 * float(plate.log["exposure_min"])
    assert row["time_precision"] == "exposure"
    assert_allclose(row["epoch"], 2000 + (plate.mid_jd - 2451545.0) / 365.25, rtol=0, atol=1e-7)
    ra, dec = corners_deg(record_of(archive, code))
    found, known = SkyCoord(ra[0], dec[0], unit=u.deg), SkyCoord(plate.corners, unit=u.deg)
    assert known.separation(found).deg.max() < CORNER_TOLERANCE_DEG


@pytest.mark.parametrize("code", PLATES)
def test_area_and_cells(archive: Archive, code: str) -> None:
    plate = PLATES[code]
    record = record_of(archive, code)
    assert_allclose(solid_angle_deg2(record)[0], plate.area, rtol=0, atol=plate.area_tolerance)
    found = footprint_cells(record, np.array([ORDER]), HOLDS_CENTRE)
    holding_centre = int((4 ** (ORDER - found.orders.astype(np.int64))).sum())
    assert abs(holding_centre - plate.holding_centre) <= CELLS_HOLDING_CENTRE_TOLERANCE
    touched = archive.moc(order=ORDER, series=code).flatten()
    assert abs(len(touched) - plate.touched) <= CELLS_TOUCHED_TOLERANCE


@pytest.mark.parametrize(
    ("code", "name"), [(code, name) for code, each in PLATES.items() for name in each.places]
)
def test_places_on_and_off_the_plate(archive: Archive, code: str, name: str) -> None:
    plate = PLATES[code]
    ra, dec, on_plate, x_mm, y_mm = plate.places[name]
    assert is_on(archive, code, ra, dec) is on_plate
    if not on_plate:
        return
    # In sight of a side at X, the place (x, y) of the tangent plane is
    # asin((X - x) / (sqrt(1 + X2) sqrt(1 + x2 + y2))) from the side's great circle.
    per_mm = np.radians(plate.scale / 3600.0)
    x, y = abs(x_mm) * per_mm, abs(y_mm) * per_mm
    ray = np.sqrt(1.0 + x**2 + y**2)
    sides = [half / 2 * per_mm for half in plate.size_mm]
    by_side = [(s - p) / np.sqrt(1.0 + s**2) / ray for s, p in zip(sides, (x, y), strict=True)]
    row = archive.cone(ra, dec, 0.0, series=code)[0]
    assert_allclose(
        row["edge_distance"],
        np.degrees(np.arcsin(min(by_side))),
        rtol=0,
        atol=np.degrees(PLACE_ROUNDING_MM * per_mm),
    )


def test_a_moc_says_yes_for_all_places_on_the_plate(archive: Archive) -> None:
    for code, plate in PLATES.items():
        on_plate = [place[:2] for place in plate.places.values() if place[2]]
        ra, dec = np.transpose(on_plate) * u.deg
        for order in (ORDER, 12):
            assert archive.moc(order=order, series=code).contains_lonlat(ra, dec).all()


@pytest.mark.parametrize("fault", FAULTS)
def test_the_places_expose_the_faults(tmp_path: Path, fault: str) -> None:
    slipped = build_plates(tmp_path, fault)
    for code, plate in PLATES.items():
        turned = {
            name
            for name, (ra, dec, on_plate, *_) in plate.places.items()
            if is_on(slipped, code, ra, dec) is not on_plate
        }
        assert turned == plate.faults.get(fault, set()), code
