"""The record as one HTML file."""
