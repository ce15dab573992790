"""Edits of a patch's text with its comments, order and style kept."""
