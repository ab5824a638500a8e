"""VOTables checked against the published schema, of which astropy carries a copy."""

import subprocess
from pathlib import Path

import astropy.io.votable

_SCHEMAS = Path(astropy.io.votable.__file__).parent / "data"


def complaints(content: bytes, version: str = "1.4") -> str:
    """What xmllint (libxml2-utils) has against a document; '' if it is valid."""
    schema = _SCHEMAS / f"VOTable.v{version}.xsd"
    done = subprocess.run(
        ["xmllint", "--nonet", "--noout", "--schema", str(schema), "-"],
        input=content, capture_output=True, timeout=60,
    )  # fmt: skip
    return "" if done.returncode == 0 else done.stderr.decode()
