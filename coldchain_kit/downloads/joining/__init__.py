"""Downloads of a unit put together: columns to probes, overlaps, readings at odds."""
