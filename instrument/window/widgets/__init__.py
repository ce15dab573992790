"""The parts that pages are made of: cells, letters, plots, drags."""
