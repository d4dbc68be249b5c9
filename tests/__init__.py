"""The tests: they mirror speakerdb/; published/ holds the checks against outside sources."""
