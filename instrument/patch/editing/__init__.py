"""Changing the text of a patch with its comments, order and style kept."""
