"""Compares a record with the job it was made from."""
