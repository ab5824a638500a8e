"""What an ECSV header declares; astropy puts the same YAML into the Parquet files it writes."""

import re

import yaml

from platecover.coverage.errors import LogFileError
from platecover.coverage.log_table import NUMBER, TEXT, TRUTH

_NUMBER_TYPE = re.compile(r"u?int\d+|float\d+")


def declared_columns(path: str, header_yaml: str) -> tuple[dict[str, tuple[str, str]], str]:
    """Return kind and unit of each column, by lower-case name, and the delimiter.

    Parameters
    ----------
    path : str
        The file, for messages.
    header_yaml : str
        YAML of the header (Astropy Proposal for Enhancement 6).

    Raises
    ------
    LogFileError
        If it is not such YAML.
    """
    try:
        meta = yaml.load(header_yaml, _PlainLoader)  # a safe loader
        declared = {
            str(entry["name"]).strip().lower(): (
                _kind(str(entry.get("datatype", "string")), entry.get("subtype")),
                str(entry.get("unit") or ""),
            )
            for entry in meta["datatype"]
        }
        return declared, str(meta.get("delimiter", " "))
    except (yaml.YAMLError, LookupError, TypeError, AttributeError, ValueError) as error:
        reason = " ".join(str(error).split())[:200]
        raise LogFileError(f"{path}: the ECSV header cannot be read: {reason}") from error
    except RecursionError as error:
        raise LogFileError(f"{path}: the ECSV header is nested too deeply") from error


class _PlainLoader(yaml.SafeLoader):
    """YAML with only plain values; tags of any software are passed over."""


def _untagged(loader: yaml.SafeLoader, _suffix: str, node: yaml.Node) -> object:
    if isinstance(node, yaml.MappingNode):
        return loader.construct_mapping(node, deep=True)
    if isinstance(node, yaml.SequenceNode):
        return loader.construct_sequence(node, deep=True)
    return loader.construct_scalar(node) if isinstance(node, yaml.ScalarNode) else None


_PlainLoader.add_multi_constructor("!", _untagged)
_PlainLoader.add_multi_constructor("tag:", _untagged)


def _kind(datatype: str, subtype: object) -> str:
    if datatype == "bool":
        return TRUTH
    return NUMBER if _NUMBER_TYPE.fullmatch(datatype) and not subtype else TEXT
