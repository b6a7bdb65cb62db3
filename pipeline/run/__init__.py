"""One session from manifest to folder: order, workers, failures."""
