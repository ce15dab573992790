"""Work on a patch while it plays: edits, undo, recovery, learning, and what the window is told."""
