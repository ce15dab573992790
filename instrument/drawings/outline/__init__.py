"""Outlines of meshes: contours, creases and borders that nothing hides, from the directions a model is seen from."""
