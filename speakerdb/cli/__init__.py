"""The command line: a thin skin over `speakerdb.library`."""
