"""hoodnote: offline field notes for vehicle air-conditioning work."""

__version__ = "0.1.0"
