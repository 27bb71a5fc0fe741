"""Exposure settings for laser-scanned vat photopolymerization, from cure physics, with units and honest uncertainty."""

__version__ = "0.1.0"
