"""Read the file people have: work out its layout, parse it whole, put overlapping downloads together."""
