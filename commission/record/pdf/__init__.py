"""The record as PDF/A-3a and PDF/UA-1."""
