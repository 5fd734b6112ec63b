import hoodnote  # noqa: F401 - before numpy, for it says how many threads that may use
