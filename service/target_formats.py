"""Answers to a list of targets, written while they are found: CSV and Parquet.

One row a pair of target and exposure. A target without any has one row as well, which says so, or
why it could not be read; so no target goes unseen.
"""

from collections.abc import Callable, Iterator, Sequence
from itertools import chain

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from platecover.coverage.arrow_tables import column_facts
from platecover.coverage.columns import RESULT_COLUMNS, Column
from platecover.coverage.edition import Edition
from platecover.coverage.target_list import TargetList
from platecover.coverage.target_pairs import PAIR_COLUMNS, pair_arrays
from platecover.coverage.target_search import Pairs, TargetSearch
from platecover.service.formats import rows_as_csv

_NOT_SHOWN = "no exposure shows it"
_ENDED = "the answer ends here, after {} pairs; ask for the further targets by themselves"
_KINDS = {"int": pa.int64(), "float": pa.float64(), "text": pa.string()}
_COLUMNS = {
    column.name: column
    for column in (
        Column("target_row", "int", "", "meta.record", "Row of the target in its table, from 1"),
        Column("target_id", "text", "", "meta.id", "What its table calls the target"),
        *(column for column in RESULT_COLUMNS if column.name in PAIR_COLUMNS),
        Column("remark", "text", "", "meta.note", "Why a target has no exposures"),
    )
}


class PairRows:
    """Rows of the answer to a list of targets, in parts.

    Parameters
    ----------
    edition : Edition
    search : TargetSearch
    targets : TargetList
    names : sequence of str
        Which of PAIR_COLUMNS are to be told.
    most_pairs : int
        The answer ends after so many.

    Attributes
    ----------
    shown, not_shown, unreadable, pairs : int
        How many targets, and pairs, so far.
    """

    def __init__(
        self,
        edition: Edition,
        search: TargetSearch,
        targets: TargetList,
        names: Sequence[str],
        most_pairs: int,
    ) -> None:
        self._edition, self._search, self._targets = edition, search, targets
        self._most_pairs = most_pairs
        self._names = ["target_row", *(["target_id"] if targets.ids is not None else []),
                       *(name for name in PAIR_COLUMNS if name in names), "remark"]  # fmt: skip
        self.shown = self.not_shown = self.unreadable = self.pairs = 0

    @property
    def schema(self) -> pa.Schema:
        """Columns with unit, UCD and description."""
        return pa.schema(
            pa.field(name, _KINDS[_COLUMNS[name].kind], metadata=column_facts(_COLUMNS[name]))
            for name in self._names
        )

    def parts(self) -> Iterator[pa.Table]:
        """Rows of some targets after the other, in the order of the list; none without rows."""
        targets = self._targets
        readable = np.flatnonzero(targets.problems == "")
        places = [values[readable] for values in (targets.ra_deg, targets.dec_deg,
                                                  targets.radius_deg)]  # fmt: skip
        begin = 0
        for pairs in self._search.pairs(*places):
            end = len(targets) if pairs.end == len(readable) else int(readable[pairs.end])
            room = self._most_pairs - self.pairs
            if len(pairs.targets) > room:
                yield from self._last_part(pairs, readable, begin, room)
                return
            yield self._part(pairs, readable[pairs.targets], begin, end)
            begin = end
        if begin < len(targets):  # not one is readable
            nothing = np.zeros(0)
            empty = np.zeros(0, np.int64)
            pairs = Pairs(empty, empty, np.zeros(0, np.bool_), nothing, nothing, 0, 0)
            yield self._part(pairs, empty, begin, len(targets))

    def _last_part(
        self, pairs: Pairs, readable: NDArray[np.int64], begin: int, room: int
    ) -> Iterator[pa.Table]:
        """Rows as far as there is room, and one that says where the answer ends."""
        cut = pairs.first(room)
        ends_in = int(readable[pairs.targets[room]])
        yield self._part(cut, readable[cut.targets], begin, ends_in)
        if room and int(readable[cut.targets[-1]]) == ends_in:
            self.shown += 1
        columns = {name: pa.nulls(1, _KINDS[_COLUMNS[name].kind]) for name in self._names}
        columns["target_row"] = pa.array([ends_in + 1])
        if self._targets.ids is not None:
            columns["target_id"] = pa.array([self._targets.ids[ends_in]], pa.string())
        columns["remark"] = pa.array([_ENDED.format(self._most_pairs)])
        yield pa.table(columns)

    def _part(self, pairs: Pairs, rows: NDArray[np.int64], begin: int, end: int) -> pa.Table:
        """Rows of the targets from `begin` to before `end`, of which `rows` have pairs."""
        problems = self._targets.problems
        without = np.setdiff1d(np.arange(begin, end), rows)
        unreadable = int(np.sum(problems[without] != ""))
        self.shown += end - begin - len(without)
        self.unreadable += unreadable
        self.not_shown += len(without) - unreadable
        self.pairs += len(rows)

        all_rows = np.concatenate([rows, without])
        found = pair_arrays(self._edition, pairs)
        columns = {
            name: pa.concat_arrays([values, pa.nulls(len(without), values.type)])
            for name, values in found.items()
        }
        columns["target_row"] = pa.array(all_rows + 1)
        if (ids := self._targets.ids) is not None:
            columns["target_id"] = pa.array([ids[row] for row in all_rows], pa.string())
        said = [problems[row] or _NOT_SHOWN for row in without]
        columns["remark"] = pa.concat_arrays(
            [pa.nulls(len(rows), pa.string()), pa.array(said, pa.string())]
        )
        table = pa.table([columns[name] for name in self._names], names=self._names)
        if not len(without):
            return table
        return table.take(pa.array(np.argsort(all_rows, kind="stable"))).combine_chunks()


def pairs_as_csv(rows: PairRows) -> Iterator[bytes]:
    """CSV with a header; null is empty."""
    for number, part in enumerate(chain([rows.schema.empty_table()], rows.parts())):
        pieces = rows_as_csv(part, {}, None)
        header = next(pieces)
        if number == 0:
            yield header
        yield from pieces


def pairs_as_parquet(rows: PairRows) -> Iterator[bytes]:
    """Parquet; unit, UCD and description are metadata of the fields."""
    sink = _Sink()
    with pq.ParquetWriter(pa.PythonFile(sink, "w"), rows.schema) as writer:
        yield sink.taken()
        for part in rows.parts():
            writer.write_table(part.cast(rows.schema))
            yield sink.taken()
    yield sink.taken()


class _Sink:
    """A file for a writer, from which what is written is taken piece by piece."""

    closed = False

    def __init__(self) -> None:
        self._pieces: list[bytes] = []
        self._written = 0

    def write(self, data: bytes) -> int:
        self._pieces.append(bytes(data))
        self._written += len(data)
        return len(data)

    def tell(self) -> int:
        return self._written

    def flush(self) -> None:
        return

    def close(self) -> None:
        return

    def taken(self) -> bytes:
        """What was written since the last time."""
        pieces, self._pieces = self._pieces, []
        return b"".join(pieces)


PAIR_FORMATS: dict[str, Callable[[PairRows], Iterator[bytes]]] = {
    "csv": pairs_as_csv,
    "parquet": pairs_as_parquet,
}
