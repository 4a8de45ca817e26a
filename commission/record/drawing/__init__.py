"""Curves and the plan of the room as SVG."""
