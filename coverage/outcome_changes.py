"""What follows for the register from the outcome of a plate.

=========================  =======================================================================
outcome                    what changes
=========================  =======================================================================
scanned                    scanned: yes; access_url: the address, if one is given
not found                  status: missing
broken                     condition: broken
other plate in the jacket  status: missing. The other plate, if its designation is one of the
                           archive's, stands where this one should: its shelf becomes this one's
rescan                     scanned: no, access_url: none: plans ask for it again
=========================  =======================================================================

A plate that was in somebody's hands (scanned, broken, rescan, or found in another's jacket) is not
missing: a status `missing` or `being scanned` becomes `on shelf`. Any other status, such as
`transferred`, is left as it is: a scan does not tell where the plate went afterwards.
"""

from collections.abc import Callable, Mapping

from platecover.coverage.outcome_rows import (
    BROKEN,
    NOT_FOUND,
    OTHER_PLATE,
    RESCAN,
    SCANNED,
    Said,
    is_address,
)

Change = tuple[str, str, str]  # plate, fact, value
Look = Callable[[str, str], str]  # plate, fact -> value now

_FIXED: Mapping[str, tuple[tuple[str, str], ...]] = {
    SCANNED: (("scanned", "yes"),),
    NOT_FOUND: (("status", "missing"),),
    BROKEN: (("condition", "broken"),),
    OTHER_PLATE: (("status", "missing"),),
    RESCAN: (("scanned", "no"), ("access_url", "")),
}
_IN_HAND = (SCANNED, BROKEN, RESCAN)
_ENDS = ("missing", "being scanned")  # statuses that end when a plate is in hand


def changes_of(
    plate: str, said: Said, other: str | None, look: Look, scans: str = ""
) -> tuple[Change, ...]:
    """Changes that follow from a row.

    Parameters
    ----------
    plate : str
        Canonical designation.
    said : Said
    other : str or None
        Canonical designation of the plate that was in the jacket; None if the archive has none
        of that name.
    look : callable
        Looks up a fact of a plate as it is before.
    scans : str, optional
        Address of the folder of scans, to which files are relative; without it a file gives no
        address.
    """
    changes = [(plate, fact, value) for fact, value in _FIXED[said.outcome]]
    if said.outcome == SCANNED and (said.value and (scans or is_address(said.value))):
        changes.append((plate, "access_url", scan_address(said.value, scans)))
    if said.outcome in _IN_HAND:
        changes += _found_again(plate, look)
    if other is not None:
        changes += _found_again(other, look)
        shelf = look(plate, "shelf")
        if shelf and shelf != look(other, "shelf"):
            changes.append((other, "shelf", shelf))
    return tuple(changes)


def scan_address(scan: str, scans: str) -> str:
    """Address of a scan: of a file, under the folder of scans."""
    return scan if is_address(scan) else f"{scans.rstrip('/')}/{scan.replace(' ', '%20')}"


def _found_again(plate: str, look: Look) -> list[Change]:
    return [(plate, "status", "on shelf")] if look(plate, "status") in _ENDS else []
