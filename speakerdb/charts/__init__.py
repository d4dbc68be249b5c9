"""Frame in, Altair chart out. Nothing here reads a database."""
