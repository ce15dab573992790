"""Drawings become one line."""
