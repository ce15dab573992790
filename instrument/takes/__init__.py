"""Performances kept: rendering to files of sound."""
