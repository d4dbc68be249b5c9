"""What holds for all tests: how long an example takes is no property of the code (the machine may be busy)."""

from hypothesis import settings

settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")
