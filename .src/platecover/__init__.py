"""Sky coverage of photographic plate archives."""

from platecover.coverage.archive import Archive
from platecover.coverage.regions import Region

__all__ = ["Archive", "Region"]
