"""Sky coverage of photographic plate archives."""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from platecover.coverage.archive import Archive
    from platecover.coverage.regions import Region

__all__ = ["Archive", "Region"]


def __getattr__(name: str) -> Any:
    """Import the public names on first use, so that `platecover --help` need not wait for them."""
    if name == "Archive":
        from platecover.coverage.archive import Archive

        return Archive
    if name == "Region":
        from platecover.coverage.regions import Region

        return Region
    raise AttributeError(f"module 'platecover' has no attribute {name!r}")
