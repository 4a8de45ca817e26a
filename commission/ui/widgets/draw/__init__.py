"""Draws in characters without a screen: pure functions from model types to lines of styled text."""
