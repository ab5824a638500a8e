"""Sky coverage of photographic plate archives."""
