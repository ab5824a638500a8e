"""Constellations against Roman's published examples and against astropy's own look-up."""

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import FK4, SkyCoord, get_constellation
from numpy.testing import assert_allclose

from platecover.coverage import constellations
from platecover.coverage.directions import unit_vectors
from platecover.coverage.equinox import b1875_rotation
from platecover.coverage.errors import QueryError
from platecover.coverage.region_arcs import boundary_distances_rad, points_on_arcs
from platecover.coverage.regions import Region

ARCSEC = np.radians(1.0 / 3600.0)
WHOLE_SKY_DEG2 = 41252.96125  # 129600 / pi

# Roman 1987, PASP 99, 695; examples of CDS catalogue VI/42, ReadMe: B1950 RA (hours), Dec (deg).
ROMAN_EXAMPLES = [
    (9.0, 65.0, "UMa"),
    (23.5, -20.0, "Aqr"),
    (5.12, 9.12, "Ori"),
    (9.4555, -19.9, "Hya"),
    (12.8888, 22.0, "Com"),
    (15.6687, -12.1234, "Lib"),
    (19.0, -40.0, "CrA"),
    (6.2222, -81.1234, "Men"),
]

# Areas in square degrees, from memory of the usual tables (rounded to 3 decimals there).
AREAS_DEG2 = {"Hya": 1302.844, "Vir": 1294.428, "UMa": 1279.660, "Cru": 68.447, "Equ": 71.641}


@pytest.mark.parametrize(("ra_hours", "dec_deg", "expected"), ROMAN_EXAMPLES)
def test_roman_examples(ra_hours: float, dec_deg: float, expected: str) -> None:
    place = SkyCoord(ra_hours * u.hourangle, dec_deg * u.deg, frame=FK4(equinox="B1950"))
    vectors = unit_vectors([place.icrs.ra.deg], [place.icrs.dec.deg])
    found = [short for short in constellations.names() if constellations.contains(short, vectors)]
    assert found == [expected]


def test_agrees_with_astropy_away_from_boundaries() -> None:
    rng = np.random.default_rng(1987)
    ra, dec = rng.uniform(0.0, 360.0, 20_000), np.degrees(np.arcsin(rng.uniform(-1, 1, 20_000)))
    vectors = unit_vectors(ra, dec)
    expected = get_constellation(SkyCoord(ra * u.deg, dec * u.deg), short_name=True)
    # Astropy carries boundaries by another frame, 16-20 arcsec off: leave out what is so close.
    close = np.zeros(len(ra), dtype=bool)
    holders = np.zeros(len(ra), dtype=np.int64)
    for short in constellations.names():
        region = Region.constellation(short)
        inside = region.contains(vectors)
        holders += inside
        close |= boundary_distances_rad(region.arcs, vectors) < 30.0 * ARCSEC
        assert np.array_equal(inside[~close], (expected == short)[~close]), short
    assert np.all(holders == 1)
    assert np.count_nonzero(close) < 0.02 * len(ra)


def test_there_are_88_and_they_fill_the_sky() -> None:
    areas = [Region.constellation(short).area_deg2 for short in constellations.names()]
    assert len(areas) == 88
    assert_allclose(sum(areas), WHOLE_SKY_DEG2, atol=1e-4)


@pytest.mark.parametrize("short", AREAS_DEG2)
def test_areas_of_the_tables(short: str) -> None:
    # The list rounds RA edges to 0.0001 h: up to 0.75 arcsec along some 100 degrees of edges.
    assert_allclose(Region.constellation(short).area_deg2, AREAS_DEG2[short], atol=0.02)


@pytest.mark.parametrize("short", ["UMi", "Oct", "Psc", "Ser", "Cep", "And", "Cru", "Hya"])
def test_boundary_parts_inside_from_outside(short: str) -> None:
    # UMi and Oct hold the poles, Psc, Cep and And lie across RA 0h, Ser is in two parts.
    arcs = constellations.boundary(short)
    shares = np.array([0.25, 0.5, 0.75])
    middles = points_on_arcs(arcs, shares)
    along = points_on_arcs(arcs, shares + 1e-6) - middles
    across = np.cross(middles, along)
    across *= 2.0 * ARCSEC / np.linalg.norm(across, axis=-1, keepdims=True)
    left = constellations.contains(short, (middles + across).reshape(-1, 3))
    right = constellations.contains(short, (middles - across).reshape(-1, 3))
    assert np.all(left != right)


def test_serpens_has_two_parts() -> None:
    # Unukalhai in the Head, eta Ser in the Tail; between them Ophiuchus (zeta Oph).
    # Places of the stars from memory, J2000.
    vectors = unit_vectors([236.07, 275.33, 249.29], [6.43, -2.90, -10.57])
    assert Region.constellation("Serpens").contains(vectors).tolist() == [True, True, False]
    assert Region.constellation("Ophiuchus").contains(vectors).tolist() == [False, False, True]


def test_poles_belong_to_the_polar_constellations() -> None:
    # Of B1875 and of ICRS alike.
    poles = unit_vectors([0.0, 0.0], [90.0, -90.0])
    assert Region.constellation("UMi").contains(poles).tolist() == [True, False]
    assert Region.constellation("Oct").contains(poles).tolist() == [False, True]
    b1875_pole = b1875_rotation().T @ np.array([0.0, 0.0, 1.0])
    poles = np.stack([b1875_pole, -b1875_pole])
    assert constellations.contains("UMi", poles).tolist() == [True, False]


@pytest.mark.parametrize(
    ("name", "short"),
    [
        ("Ori", "Ori"),
        ("ORION", "Ori"),
        ("canis major", "CMa"),
        ("CanisMajor", "CMa"),
        ("  Coma   Berenices ", "Com"),
        ("Boötes", "Boo"),
        ("bootes", "Boo"),
        ("cvn", "CVn"),
        ("Chamaeleon", "Cha"),
        ("Piscis Austrinus", "PsA"),
    ],
)
def test_names_in_any_spelling(name: str, short: str) -> None:
    assert constellations.abbreviation(name) == short


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("Oriom", r"unknown constellation 'Oriom': did you mean Ori \(Orion\)"),
        ("Ursa", r"Ursa Major"),
        ("Argo Navis", r"unknown constellation 'Argo Navis'"),
        ("12345", r"give a name as Ori, Orion or Canis Major"),
    ],
)
def test_unknown_names_list_near_ones(name: str, message: str) -> None:
    with pytest.raises(QueryError, match=message) as caught:
        constellations.abbreviation(name)
    assert (caught.value.parameter, caught.value.usage) == ("region", False)
