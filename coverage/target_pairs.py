"""Pairs of targets and exposures as tables."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import pyarrow as pa
from astropy.table import Column, Table
from numpy.typing import ArrayLike, NDArray

from platecover.coverage.columns import RESULT_COLUMNS
from platecover.coverage.edition import Edition
from platecover.coverage.errors import QueryError
from platecover.coverage.target_search import Pairs, TargetSearch

PAIR_COLUMNS = ("exposure_id", "centre_distance", "edge_distance", "certainty")
_DECLARED = {column.name: column for column in RESULT_COLUMNS}
_CERTAINTIES = pa.array(["marginal", "sure"])


def pair_arrays(edition: Edition, pairs: Pairs) -> dict[str, pa.Array]:
    """Columns of pairs, by PAIR_COLUMNS; one chunk each, nothing null."""
    identifiers = edition.exposures.column("exposure_id").chunk(0)
    codes = identifiers.indices.take(pa.array(pairs.numbers))
    return {
        "exposure_id": identifiers.dictionary.take(codes),
        "centre_distance": pa.array(pairs.centre_distance_deg),
        "edge_distance": pa.array(pairs.edge_distance_deg),
        "certainty": _CERTAINTIES.take(pa.array(pairs.sure.astype(np.int8))),
    }


def pairs_table(
    edition: Edition, ra: ArrayLike, dec: ArrayLike, radius: ArrayLike, filters: Mapping[str, Any]
) -> Table:
    """All pairs of many circles; as `Archive.cone_many` describes it."""
    values = [_numbers("ra", ra, 0.0, 360.0), _numbers("dec", dec, -90.0, 90.0),
              _numbers("radius", radius, 0.0, 180.0)]  # fmt: skip
    try:
        ra_deg, dec_deg, radius_deg = (each.ravel() for each in np.broadcast_arrays(*values))
    except ValueError:
        shapes = ", ".join(str(each.shape) for each in values)
        raise QueryError(
            "ra", ra, f"ra, dec and radius must be of shapes that broadcast, got {shapes}"
        ) from None
    targets: list[NDArray[np.int64]] = [np.zeros(0, np.int64)]
    blocks: list[dict[str, pa.Array]] = []
    for pairs in TargetSearch(edition, filters).pairs(ra_deg, dec_deg, radius_deg):
        targets.append(pairs.targets)
        blocks.append(pair_arrays(edition, pairs))
    table = Table({"target": np.concatenate(targets)})
    table["target"].description = "Place of the circle in what was asked, from 0"
    for name in PAIR_COLUMNS:
        declared = _DECLARED[name]
        text = declared.kind == "text"
        parts = [block[name].to_numpy(zero_copy_only=False) for block in blocks]
        empty = np.zeros(0, np.str_ if text else np.float64)
        joined = np.concatenate(
            [each.astype(np.str_) if text else each for each in [empty, *parts]]
        )
        table[name] = Column(
            joined, unit=declared.unit or None, description=declared.description,
            meta={"ucd": declared.ucd},
        )  # fmt: skip
    return table


def _numbers(name: str, values: ArrayLike, low: float, high: float) -> NDArray[np.float64]:
    """Finite numbers within limits; QueryError names the first that is not."""
    rule = f"{name} must be numbers from {low:g} to {high:g}"
    try:
        given = np.ma.asarray(values, dtype=np.float64)
    except (TypeError, ValueError):
        raise QueryError(name, values, f"{rule}, got {str(values)[:60]!r}", usage=True) from None
    numbers = np.asarray(np.ma.filled(given, np.nan))
    wrong = ~((numbers >= low) & (numbers <= high))
    if wrong.any():
        at = int(np.argmax(wrong.ravel()))
        value = float(numbers.ravel()[at])
        raise QueryError(name, value, f"{rule}, got {value} at place {at}")
    return numbers
