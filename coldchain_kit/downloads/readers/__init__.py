"""Read the file people have: its layout worked out, every line accounted for."""
