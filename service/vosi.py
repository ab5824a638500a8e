"""VOSI 1.1 (IVOA, 2017): what each service can do, and whether it can be asked just now.

Capabilities and availability stand beside the path of the query: of Simple Cone Search at the
root, of SIA under /sia2.
"""

import datetime
from typing import NamedTuple

import numpy as np
from flask import Blueprint, Response

from platecover.coverage.edition import Edition
from platecover.coverage.errors import ArchiveError
from platecover.coverage.per_edition import PerEdition
from platecover.coverage.regions import Region
from platecover.coverage.search import search
from platecover.service import sia
from platecover.service.asking import answers_of_archive, archive, service, site_root
from platecover.service.cone_search import STANDARD_ID
from platecover.service.error_answers import CONE_PATH
from platecover.service.votable import MEDIA_TYPE, xml_text

capabilities_blueprint = Blueprint("vosi_capabilities", __name__)
answers_of_archive(capabilities_blueprint)
availability_blueprint = Blueprint("vosi_availability", __name__)  # answers without an archive too

_CAPABILITIES, _AVAILABILITY = "capabilities", "availability"  # last parts of the paths
_SIA_FOLDER, _SIA_QUERY = "sia2/", sia.QUERY_PATH[1:]
_STARTED = datetime.datetime.now(datetime.UTC)  # before the workers are forked
_HEAD = '<?xml version="1.0" encoding="UTF-8"?>\n'
_SPACES = (
    ' xmlns:vosi="http://www.ivoa.net/xml/VOSICapabilities/v1.0"'
    ' xmlns:vs="http://www.ivoa.net/xml/VODataService/v1.1"'
    ' xmlns:cs="http://www.ivoa.net/xml/ConeSearch/v1.0"'
    ' xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance"'
)
_CANDIDATES = 64  # exposures at whose centres the query for tests is tried
_TEST_RADIUS_DEG = 0.01


class _TestQuery(NamedTuple):
    """A cone that finds few exposures, but finds some."""

    ra_deg: float
    dec_deg: float
    radius_deg: float


def _test_query(edition: Edition) -> _TestQuery:
    """Of the centres of exposures all over the archive, the one with fewest exposures around."""
    n_exposures = len(edition.exposures)
    tried = np.unique(np.linspace(0, n_exposures - 1, min(_CANDIDATES, n_exposures)).astype(int))
    cones = [
        _TestQuery(round(ra, 6) % 360.0, round(dec, 6), _TEST_RADIUS_DEG)
        for ra, dec in zip(
            edition.floats("s_ra")[tried].tolist(), edition.floats("s_dec")[tried].tolist(),
            strict=True,
        )
    ]  # fmt: skip
    return min(cones, key=lambda cone: len(search(edition, Region.circle(*cone), {}).numbers))


_TEST_QUERY = PerEdition(_test_query)


@capabilities_blueprint.get(f"/{_CAPABILITIES}")
def cone_capabilities() -> Response:
    """What Simple Cone Search can do here."""
    settings = service().settings
    query = _TEST_QUERY.of(archive().edition)
    cone = (
        f'<capability standardID="{STANDARD_ID}" xsi:type="cs:ConeSearch">\n'
        "<description>Exposures on photographic plates whose exposed area, with its margin of"
        " error, meets the cone.</description>\n"
        '<interface xsi:type="vs:ParamHTTP" role="std">\n'
        f'<accessURL use="base">{xml_text(site_root() + CONE_PATH[1:])}?</accessURL>\n'
        "<queryType>GET</queryType>\n<resultType>text/xml</resultType>\n"
        "</interface>\n"
        f"<maxSR>{settings.largest_radius_deg:g}</maxSR>\n"
        f"<maxRecords>{settings.largest_maxrec}</maxRecords>\n"
        "<verbosity>true</verbosity>\n"
        f"<testQuery><ra>{query.ra_deg!r}</ra><dec>{query.dec_deg!r}</dec>"
        f"<sr>{min(query.radius_deg, settings.largest_radius_deg)!r}</sr></testQuery>\n"
        "</capability>\n"
    )
    return _capabilities("", cone)


@capabilities_blueprint.get(f"/{_SIA_FOLDER}{_CAPABILITIES}")
def sia_capabilities() -> Response:
    """What SIA can do here."""
    query = (
        f'<capability standardID="{sia.STANDARD_ID}">\n'
        '<interface xsi:type="vs:ParamHTTP" role="std" version="2.0">\n'
        f'<accessURL use="base">{xml_text(site_root() + _SIA_QUERY)}</accessURL>\n'
        "</interface>\n</capability>\n"
    )
    return _capabilities(_SIA_FOLDER, query)


def _capabilities(folder: str, capability: str) -> Response:
    """The document of a service and of its VOSI resources, which stand in the same folder."""
    body = (
        f"{_HEAD}<vosi:capabilities{_SPACES}>\n"
        f"{_vosi_capability(folder, _CAPABILITIES)}{_vosi_capability(folder, _AVAILABILITY)}"
        f"{capability}</vosi:capabilities>\n"
    )
    response = Response(body, content_type=MEDIA_TYPE)
    response.last_modified = datetime.datetime.fromisoformat(archive().edition.summary["built"])
    return response


def _vosi_capability(folder: str, name: str) -> str:
    return (
        f'<capability standardID="ivo://ivoa.net/std/VOSI#{name}">\n'
        '<interface xsi:type="vs:ParamHTTP" version="1.0">\n'
        f'<accessURL use="full">{xml_text(site_root() + folder + name)}</accessURL>\n'
        "</interface>\n</capability>\n"
    )


@availability_blueprint.get(f"/{_AVAILABILITY}")
@availability_blueprint.get(f"/{_SIA_FOLDER}{_AVAILABILITY}")
def availability() -> Response:
    """Whether the archive answers; the answer itself is always HTTP 200."""
    try:
        edition = service().live.current().edition
        search(edition, Region.circle(*_TEST_QUERY.of(edition)), {})
    except ArchiveError:
        available, note = "false", "the archive cannot be read just now"
    else:
        available, note = "true", f"edition {edition.number} of {edition.summary['built'][:10]}"
    body = (
        f'{_HEAD}<availability xmlns="http://www.ivoa.net/xml/VOSIAvailability/v1.0">\n'
        f"<available>{available}</available>\n"
        f"<upSince>{_STARTED:%Y-%m-%dT%H:%M:%SZ}</upSince>\n"
        f"<note>{xml_text(note)}</note>\n</availability>\n"
    )
    response = Response(body, content_type=MEDIA_TYPE)
    response.headers["Cache-Control"] = "no-store"
    return response
