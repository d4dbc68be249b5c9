"""What changes the file: ingest, curation, learning, recomputation; and what checks it."""
