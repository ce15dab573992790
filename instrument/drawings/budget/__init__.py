"""Drawings fitted to the points that one cycle has: meshes collapsed, strokes left out."""
