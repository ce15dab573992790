"""Drawings: files of many kinds, each made into one closed line."""
