"""Page: a result as one HTML file that opens from disk, with nothing fetched."""
