"""Guides the commissioning of a home cinema in one visit and keeps the record of it."""

__version__ = "0.1.0"
